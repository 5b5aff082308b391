"use strict";
(() => {
  // A link into something folded unfolds it.
  const unfold = () => {
    const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    for (let at = target; at; at = at.parentElement) {
      if (at.localName === "details") at.open = true;
    }
    if (target) target.scrollIntoView();
  };
  addEventListener("hashchange", unfold);
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[href^='#']");
    // The same link twice changes no address.
    if (link && link.hash === location.hash) unfold();
  });
  if (location.hash) unfold();

  // Finding a subject by a part of its name.
  const find = document.getElementById("find");
  const found = find.parentElement.querySelector("output");
  const subjects = [...document.querySelectorAll(".subject")];
  const names = subjects.map((subject) => subject.querySelector("h3").textContent.toLowerCase());
  const folds = [...document.querySelectorAll(".fold")];
  find.addEventListener("input", () => {
    const part = find.value.trim().toLowerCase();
    let count = 0;
    subjects.forEach((subject, index) => {
      subject.hidden = !names[index].includes(part);
      if (!subject.hidden) count += 1;
    });
    folds.forEach((fold, index) => {
      const holds = fold.querySelector(".subject:not([hidden])") !== null;
      fold.hidden = !holds;
      fold.open = part ? holds : index === 0;
    });
    found.textContent = part ? `${count} of ${subjects.length}` : "";
  });

  // Plots: a point is read, the drawing enlarged and moved.
  const NOTES = ["C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B"];
  const within = (value, low, high) => Math.min(Math.max(value, low), high);
  const shown = (ruler, part) => {
    const { low, high, scale } = ruler;
    const value = scale === "log" ? low * (high / low) ** part : low + (high - low) * part;
    if (scale === "keys") {
      const key = Math.round(value);
      return `${ruler.name} ${NOTES[((key % 12) + 12) % 12]}${Math.floor(key / 12) - 1}`;
    }
    // Four digits of a logarithm, else a thousandth of the range: as fine as a pixel.
    const places = Math.ceil(3 - Math.log10(high - low));
    const text = scale === "log" || places > 6 || -2 > places
      ? value.toPrecision(4) : value.toFixed(within(places, 0, 6));
    return `${ruler.name} ${text.replace(/-/g, "−")} ${ruler.unit}`.trim();
  };

  const start = (figure) => {
    const frames = JSON.parse(figure.dataset.frames);
    const view = figure.querySelector(".view");
    const image = view.querySelector("img");
    const told = figure.querySelector("output");
    const width = Number(image.getAttribute("width"));
    const hairs = [0, 1].map(() => {
      const hair = document.createElement("div");
      hair.className = "hair";
      hair.hidden = true;
      view.append(hair);
      return hair;
    });
    let zoom = 1;
    let [left, top] = [0, 0];
    let point = null;
    const scale = () => (view.clientWidth * zoom) / width;
    const draw = () => {
      const most = (zoom - 1) * view.clientWidth;
      left = within(left, 0, most);
      top = within(top, 0, (zoom - 1) * view.clientHeight);
      image.style.transform = zoom > 1 ? `translate(${-left}px, ${-top}px) scale(${zoom})` : "";
      view.classList.toggle("close", zoom > 1);
      hairs.forEach((hair) => { hair.hidden = point === null; });
      if (point === null) return;
      const frame = frames[point.frame];
      const [x, y] = [point.x * scale() - left, point.y * scale() - top];
      const [l, r] = [frame.l, frame.r].map((at) => at * scale() - left);
      const [t, b] = [frame.t, frame.b].map((at) => at * scale() - top);
      hairs[0].style.cssText = `left:${x}px;top:${t}px;width:1px;height:${b - t}px`;
      hairs[1].style.cssText = `left:${l}px;top:${y}px;width:${r - l}px;height:1px`;
      const across = (point.x - frame.l) / (frame.r - frame.l);
      const up = (frame.b - point.y) / (frame.b - frame.t);
      told.textContent = `${shown(frame.x, across)}; ${shown(frame.y, up)}`;
    };
    const enlarge = (factor, x, y) => {
      const next = within(zoom * factor, 1, 16);
      left = (left + x) * (next / zoom) - x;
      top = (top + y) * (next / zoom) - y;
      zoom = next;
      draw();
    };
    const middle = () => (point === null
      ? [view.clientWidth / 2, view.clientHeight / 2]
      : [point.x * scale() - left, point.y * scale() - top]);
    const act = {
      in: () => enlarge(2, ...middle()),
      out: () => enlarge(0.5, ...middle()),
      whole: () => enlarge(1 / 16, 0, 0),
    };
    figure.querySelectorAll("button").forEach((button) => {
      button.addEventListener("click", () => act[button.dataset.do]());
    });
    const read = (event) => {
      const box = view.getBoundingClientRect();
      const x = (event.clientX - box.left + left) / scale();
      const y = (event.clientY - box.top + top) / scale();
      // The frame itself can be pointed at as well, which is a pixel wide.
      const frame = frames.findIndex((f) => within(x, f.l - 4, f.r + 4) === x && within(y, f.t - 4, f.b + 4) === y);
      const at = frames[frame];
      if (at) point = { frame, x: within(x, at.l, at.r), y: within(y, at.t, at.b) };
      draw();
    };
    let held = null;
    view.addEventListener("pointerdown", (event) => {
      if (zoom > 1) {
        held = { x: event.clientX + left, y: event.clientY + top };
        view.setPointerCapture(event.pointerId);
      }
      read(event);
    });
    view.addEventListener("pointermove", (event) => {
      if (held) {
        [left, top] = [held.x - event.clientX, held.y - event.clientY];
        draw();
      } else if (event.pointerType === "mouse") {
        read(event);
      }
    });
    ["pointerup", "pointercancel"].forEach((name) => {
      view.addEventListener(name, () => { held = null; });
    });
    view.addEventListener("dblclick", (event) => {
      const box = view.getBoundingClientRect();
      enlarge(2, event.clientX - box.left, event.clientY - box.top);
    });
    view.tabIndex = 0;
    view.setAttribute("role", "group");
    view.setAttribute("aria-label",
      "Plot: arrow keys move the point that is read, plus and minus enlarge and reduce, 0 shows the whole");
    const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    view.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.altKey || event.metaKey) return;
      const key = { "+": "in", "=": "in", "-": "out", 0: "whole" }[event.key];
      const move = moves[event.key];
      if (key) act[key]();
      if (move) {
        const far = (event.shiftKey ? 10 : 1) * Math.max(1, 4 / zoom);
        if (point === null) {
          const f = frames[0];
          point = { frame: 0, x: (f.l + f.r) / 2, y: (f.t + f.b) / 2 };
        }
        // Down from one chart of a sheet leads to the next.
        const frame = frames[point.frame];
        const y = point.y + move[1] * far;
        const next = point.frame + (y > frame.b ? 1 : frame.t > y ? -1 : 0);
        if (frames[next] && next !== point.frame) {
          point.frame = next;
          point.y = move[1] > 0 ? frames[next].t : frames[next].b;
        } else {
          point.y = within(y, frame.t, frame.b);
        }
        point.x = within(point.x + move[0] * far, frames[point.frame].l, frames[point.frame].r);
        draw();
        const [x, up] = middle();
        left += x - within(x, 0, view.clientWidth);
        top += up - within(up, 0, view.clientHeight);
        draw();
      }
      if (key || move) event.preventDefault();
    });
    new ResizeObserver(draw).observe(view);
  };
  // A plot wakes up when it comes into view: a long report has hundreds.
  const wake = new IntersectionObserver((entries) => {
    entries.filter((entry) => entry.isIntersecting).forEach((entry) => {
      wake.unobserve(entry.target);
      start(entry.target);
    });
  });
  document.querySelectorAll("figure[data-frames]").forEach((figure) => {
    if (figure.dataset.frames !== "[]") wake.observe(figure);
  });
})();
