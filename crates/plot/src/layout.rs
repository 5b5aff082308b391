//! Where everything stands on the sheet, and the drawing of it.

use crate::axis::{Room, Scale, Span, Tick, six_digits};
use crate::geometry::{Point, Rect, dashes, length, spread, thin_path, thin_points};
use crate::style::{Dash, Ink, Line, Marker, Series, Shape, Style};
use crate::surface::{self, Anchor, Rgb, Surface, Type, Weight, text_width};
use crate::{Chart, Frame, Legend, Mark, PlotError, Sheet, Size};

const WHITE: Rgb = [0xFF; 3];
const BLACK: Rgb = [0x1A, 0x1A, 0x1A];
const SOFT: Rgb = [0x50, 0x50, 0x50];
const GRID: Rgb = [0xD4, 0xD4, 0xD4];
const MINOR_GRID: Rgb = [0xEC, 0xEC, 0xEC];
const HAIRLINE: f64 = 0.75;
const FRAME: f64 = 1.0;
/// Edge of the paper.
const MARGIN: f64 = 16.0;
/// Line height of all texts but titles.
const ROW: f64 = 20.0;
/// Between the charts of a sheet.
const CHART_GAP: f64 = 14.0;
/// Length of a legend sample and the gap between it and its name.
const SAMPLE: f64 = 34.0;
const GAP: f64 = 8.0;
/// From the frame to a label at its right: a leader, then (for series) a sample.
const LEADER: f64 = 14.0;
/// As many lines can be named at their ends.
const MOST_LINE_ENDS: usize = 8;

const fn plain(em: f64) -> Type {
    Type { em, weight: Weight::Regular, rgb: BLACK }
}

const LABEL: Type = plain(14.0);
const TICK: Type = plain(13.0);
const NAME: Type = plain(13.5);
const NOTE: Type = Type { rgb: SOFT, ..plain(13.5) };
const TITLE: Type = Type { weight: Weight::Bold, ..plain(19.0) };
const SUBTITLE: Type = Type { weight: Weight::Bold, ..plain(15.0) };

/// What one drawing holds: charts with their share of the height, under one heading.
pub(crate) struct Page<'a> {
    title: &'a str,
    note: &'a str,
    charts: Vec<(&'a Chart, f64)>,
    /// Style of the charts' own titles.
    chart_title: Type,
}

impl<'a> Page<'a> {
    pub fn of_chart(chart: &'a Chart) -> Self {
        Self { title: "", note: "", charts: vec![(chart, 1.0)], chart_title: TITLE }
    }

    pub fn of_sheet(sheet: &'a Sheet) -> Result<Self, PlotError> {
        for (chart, share) in &sheet.charts {
            if !(share.is_finite() && *share > 0.0) {
                return Err(PlotError::OutOfRange {
                    parameter: format!("share of the chart \"{}\"", chart.title),
                    value: share.to_string(),
                    allowed: "finite and above 0",
                });
            }
        }
        Ok(Self {
            title: &sheet.title,
            note: &sheet.note,
            charts: sheet.charts.iter().map(|(c, share)| (c, *share)).collect(),
            chart_title: SUBTITLE,
        })
    }

    pub fn to_svg(&self, size: Size) -> Result<String, PlotError> {
        check(size)?;
        let plots = self.plots()?;
        let first = self.charts.first().map_or("", |(c, _)| &c.title);
        let title = if self.title.is_empty() { first } else { self.title };
        let words: Vec<_> = std::iter::once(self.note.to_string())
            .chain(plots.iter().map(Plot::words))
            .filter(|w| !w.is_empty())
            .collect();
        surface::svg(size, title, &words.join("\n"), |s| self.draw(&plots, size, s))
    }

    pub fn to_png(&self, size: Size) -> Result<Vec<u8>, PlotError> {
        check(size)?;
        let plots = self.plots()?;
        surface::png(size, |s| self.draw(&plots, size, s))
    }

    fn plots(&self) -> Result<Vec<Plot<'_>>, PlotError> {
        self.charts.iter().map(|(c, _)| Plot::new(c)).collect()
    }

    /// The plot areas with their axes, in the order of the charts.
    pub fn frames(&self, size: Size) -> Result<Vec<Frame>, PlotError> {
        check(size)?;
        let plots = self.plots()?;
        let places = self.places(&plots, size)?;
        let frame = |(plot, place): (&Plot<'_>, &Place)| Frame {
            title: plot.chart.title.clone(),
            left: place.area.left,
            top: place.area.top,
            right: place.area.right,
            bottom: place.area.bottom,
            x: plot.x.ruler(&plot.chart.x),
            y: plot.y.ruler(&plot.chart.y),
        };
        Ok(plots.iter().zip(&places).map(frame).collect())
    }

    /// Where every chart stands.
    fn places(&self, plots: &[Plot<'_>], size: Size) -> Result<Vec<Place>, PlotError> {
        let (width, height) = (f64::from(size.width), f64::from(size.height));
        let heading = heading_lines(width, (self.title, TITLE), self.note)?;
        let mut top = heading.iter().fold(MARGIN, |y, (_, kind)| y + line_height(*kind));
        if top > MARGIN {
            top += CHART_GAP;
        }
        let total: f64 = self.charts.iter().map(|(_, share)| share).sum();
        let gaps = CHART_GAP * (plots.len().max(1) - 1) as f64;
        let room = height - MARGIN - top - gaps;
        // Plot areas of one sheet share their left and right edges.
        let (mut left, mut right, mut slots) = (0.0_f64, 0.0_f64, Vec::new());
        let mut y = top;
        for (plot, (_, share)) in plots.iter().zip(&self.charts) {
            let bottom = y + room * share / total;
            let slot = plot.rows(width, self.chart_title)?.inside(y, bottom)?;
            left = left.max(plot.left(&slot)?);
            right = right.max(plot.right(width)?);
            slots.push((y, slot));
            y = bottom + CHART_GAP;
        }
        if width - left - right < 80.0 {
            return Err(too_small("width", width));
        }
        let place = |(top, slot)| Place { top, area: Rect { left, right: width - right, ..slot } };
        Ok(slots.into_iter().map(place).collect())
    }

    fn draw(&self, plots: &[Plot<'_>], size: Size, s: &mut Surface<'_>) -> Result<(), PlotError> {
        let width = f64::from(size.width);
        let places = self.places(plots, size)?;
        heading(s, MARGIN, width, (self.title, TITLE), self.note)?;
        for (plot, Place { top, area }) in plots.iter().zip(places) {
            heading(s, top, width, (&plot.chart.title, self.chart_title), &plot.chart.note)?;
            plot.draw(s, area, width)?;
        }
        Ok(())
    }
}

/// Where a chart stands: the top of its heading, and its plot area.
struct Place {
    top: f64,
    area: Rect,
}

fn too_small(side: &str, value: f64) -> PlotError {
    PlotError::OutOfRange {
        parameter: side.into(),
        value: format!("{value} px"),
        allowed: "enough to leave a plot area of 80 by 40 px beside the texts",
    }
}

fn check(size: Size) -> Result<(), PlotError> {
    for (side, value) in [("width", size.width), ("height", size.height)] {
        if !(240..=2400).contains(&value) {
            return Err(PlotError::OutOfRange {
                parameter: side.into(),
                value: format!("{value} px"),
                allowed: "240 to 2400 px",
            });
        }
    }
    Ok(())
}

/// The text cut to a width, with an ellipsis where it was cut.
fn fitted(text: &str, kind: Type, width: f64) -> Result<String, PlotError> {
    let mut kept = text.to_string();
    let mut shown = kept.clone();
    while text_width(&shown, kind)? > width && kept.pop().is_some() {
        shown = format!("{}…", kept.trim_end());
    }
    Ok(shown)
}

/// The text in at most `rows` rows of words; the last is cut to the width.
fn wrapped(text: &str, kind: Type, width: f64, rows: usize) -> Result<Vec<String>, PlotError> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let full = lines.len() == rows;
        match lines.last_mut() {
            Some(line) if full || text_width(&format!("{line} {word}"), kind)? <= width => {
                *line = format!("{line} {word}");
            }
            _ => lines.push(word.into()),
        }
    }
    lines.iter().map(|line| fitted(line, kind, width)).collect()
}

/// Title and note.
fn heading(
    s: &mut Surface<'_>,
    top: f64,
    width: f64,
    (title, kind): (&str, Type),
    note: &str,
) -> Result<(), PlotError> {
    let mut y = top;
    for (line, kind) in heading_lines(width, (title, kind), note)? {
        s.text(&line, (MARGIN, y + kind.em), Anchor::Start, kind)?;
        y += line_height(kind);
    }
    Ok(())
}

fn heading_lines(
    width: f64,
    (title, kind): (&str, Type),
    note: &str,
) -> Result<Vec<(String, Type)>, PlotError> {
    let room = width - 2.0 * MARGIN;
    let title = wrapped(title, kind, room, 2)?;
    let note = wrapped(note, NOTE, room, 3)?;
    let lines = title.into_iter().map(|line| (line, kind));
    Ok(lines.chain(note.into_iter().map(|line| (line, NOTE))).collect())
}

fn line_height(kind: Type) -> f64 {
    (kind.em * 1.35).round()
}

/// Heights above and below the plot area.
struct Rows {
    above: f64,
    below: f64,
}

impl Rows {
    /// The plot area's top and bottom between two heights; left and right are not known yet.
    fn inside(&self, top: f64, bottom: f64) -> Result<Rect, PlotError> {
        let area =
            Rect { left: 0.0, right: 0.0, top: top + self.above, bottom: bottom - self.below };
        if area.height() < 40.0 {
            return Err(too_small("height per chart", bottom - top));
        }
        Ok(area)
    }
}

/// A chart with its axes resolved.
struct Plot<'a> {
    chart: &'a Chart,
    x: Span,
    y: Span,
}

/// A name in the legend below, with the series it belongs to and the x of its sample.
struct Entry {
    index: usize,
    name: String,
    x: f64,
}

/// The maps from values to px.
struct View<'a> {
    plot: &'a Plot<'a>,
    area: Rect,
}

fn x_room(area: &Rect) -> Room {
    Room { length: area.width(), pitch: 70.0 }
}

fn y_room(area: &Rect) -> Room {
    Room { length: area.height(), pitch: 40.0 }
}

impl<'a> Plot<'a> {
    fn new(chart: &'a Chart) -> Result<Self, PlotError> {
        chart.series.iter().try_for_each(Series::check)?;
        let points = || chart.series.iter().flat_map(Series::all_points);
        let floors = chart.series.iter().filter_map(|s| match s.style {
            Style::Stems { floor, .. } => Some(floor),
            _ => None,
        });
        let marks = |horizontal: bool| {
            chart.marks.iter().filter_map(move |m| match m {
                Mark::Horizontal { at, .. } => horizontal.then_some(*at),
                Mark::Vertical { at, .. } => (!horizontal).then_some(*at),
            })
        };
        let xs = points().map(|p| p.0).chain(marks(false));
        let ys = points().map(|p| p.1).chain(floors).chain(marks(true));
        Ok(Self {
            chart,
            x: Span::resolve(&chart.x, "x", xs)?,
            y: Span::resolve(&chart.y, "y", ys)?,
        })
    }

    /// Description for readers who cannot see the drawing.
    fn words(&self) -> String {
        let chart = self.chart;
        let mut words = vec![chart.title.clone(), chart.note.clone()];
        for (name, span, axis) in [("x", &self.x, &chart.x), ("y", &self.y, &chart.y)] {
            let unit = &axis.unit;
            words.push(format!("{name}: {}, {} {unit}", axis.label, span.words()));
        }
        for series in chart.series.iter().filter(|s| !s.name.is_empty()) {
            words.push(format!("{}: {} points", series.name, series.points.len()));
        }
        for mark in &chart.marks {
            words.push(match mark {
                Mark::Horizontal { at, label } => {
                    format!("{label}: line at y = {}", six_digits(*at))
                }
                Mark::Vertical { at, label } => format!("{label}: line at x = {}", six_digits(*at)),
            });
        }
        words.retain(|w| !w.is_empty());
        words.iter().map(|w| format!("{}. ", w.trim())).collect()
    }

    fn ink(&self, index: usize) -> Rgb {
        let turn = Ink::TURN[index % Ink::TURN.len()];
        self.chart.series[index].ink.unwrap_or(turn).rgb()
    }

    /// Indices of the series named at their line ends.
    fn line_ends(&self) -> Vec<usize> {
        let lines = self.chart.series.iter().enumerate();
        let lines: Vec<_> = lines
            .filter(|(_, s)| matches!(s.style, Style::Line(_)) && !s.name.is_empty())
            .map(|(i, _)| i)
            .collect();
        let wanted = self.chart.legend != Legend::Below && lines.len() <= MOST_LINE_ENDS;
        if wanted { lines } else { Vec::new() }
    }

    /// Rows of the legend below.
    fn legend(&self, width: f64) -> Result<Vec<Vec<Entry>>, PlotError> {
        let at_ends = match self.chart.legend {
            Legend::LineEnds => self.line_ends(),
            Legend::Below | Legend::Both => Vec::new(),
        };
        let mut rows: Vec<Vec<Entry>> = Vec::new();
        let mut x = width;
        for (index, series) in self.chart.series.iter().enumerate() {
            if series.name.is_empty() || at_ends.contains(&index) {
                continue;
            }
            let room = width - 2.0 * MARGIN - SAMPLE - GAP;
            let name = fitted(&series.name, NAME, room)?;
            let wide = SAMPLE + GAP + text_width(&name, NAME)?;
            if x + wide > width - MARGIN {
                rows.push(Vec::new());
                x = MARGIN;
            }
            if let Some(row) = rows.last_mut() {
                row.push(Entry { index, name, x });
            }
            x += wide + 22.0;
        }
        Ok(rows)
    }

    fn rows(&self, width: f64, title: Type) -> Result<Rows, PlotError> {
        let lines = heading_lines(width, (&self.chart.title, title), &self.chart.note)?;
        let heading: f64 = lines.iter().map(|(_, kind)| line_height(*kind)).sum();
        let vertical = |m: &Mark| matches!(m, Mark::Vertical { label, .. } if !label.is_empty());
        let marks = if self.chart.marks.iter().any(vertical) { ROW } else { 0.0 };
        let legend = match self.legend(width)?.len() {
            0 => 0.0,
            rows => 6.0 + ROW * rows as f64,
        };
        Ok(Rows { above: heading + 10.0 + ROW + marks, below: 2.0 * ROW + 6.0 + legend })
    }

    /// Room left of the plot area: the widest tick text.
    fn left(&self, area: &Rect) -> Result<f64, PlotError> {
        let ticks = self.y.ticks(y_room(area));
        let widths = ticks.iter().map(|t| text_width(&t.text, TICK));
        let widest = widths.collect::<Result<Vec<_>, _>>()?;
        Ok(MARGIN + 10.0 + widest.into_iter().fold(20.0, f64::max))
    }

    /// Room right of the plot area: the labels of line ends and horizontal marks.
    fn right(&self, width: f64) -> Result<f64, PlotError> {
        let mut room = MARGIN + 12.0;
        for index in self.line_ends() {
            let name = fitted(&self.chart.series[index].name, NAME, 0.25 * width)?;
            room = room.max(MARGIN + LEADER + SAMPLE + GAP + text_width(&name, NAME)?);
        }
        for mark in &self.chart.marks {
            if let Mark::Horizontal { label, .. } = mark
                && !label.is_empty()
            {
                let label = fitted(label, NAME, 0.25 * width)?;
                room = room.max(MARGIN + LEADER + GAP + text_width(&label, NAME)?);
            }
        }
        Ok(room)
    }

    fn draw(&self, s: &mut Surface<'_>, area: Rect, width: f64) -> Result<(), PlotError> {
        let view = View { plot: self, area };
        let series = || self.chart.series.iter().enumerate();
        for (i, band) in series() {
            view.shade(s, band, self.ink(i))?;
        }
        view.axes(s)?;
        view.marks(s, width)?;
        for (i, series) in series() {
            view.series(s, series, i)?;
        }
        s.path(&closed(area.corners().to_vec()), BLACK, FRAME)?;
        view.legend(s, width)?;
        let drawable = |p| view.point(p).is_some();
        if !series().any(|(_, series)| series.all_points().any(drawable)) {
            let (x, y) = ((area.left + area.right) / 2.0, (area.top + area.bottom) / 2.0);
            let (half, rise) = (text_width("no data", LABEL)? / 2.0 + GAP, ROW / 2.0);
            let clear = Rect { left: x - half, top: y - rise, right: x + half, bottom: y + rise };
            s.polygon(&clear.corners(), WHITE, 1.0)?;
            let middle = (x, y + 0.36 * LABEL.em);
            s.text("no data", middle, Anchor::Middle, LABEL)?;
        }
        Ok(())
    }
}

fn closed(mut points: Vec<Point>) -> Vec<Point> {
    points.extend(points.first().copied());
    points
}

impl View<'_> {
    fn x(&self, fraction: f64) -> f64 {
        self.area.left + fraction * self.area.width()
    }

    fn y(&self, fraction: f64) -> f64 {
        self.area.bottom - fraction * self.area.height()
    }

    /// The place of a point, if both axes can show its values; it may lie outside the frame.
    fn point(&self, (x, y): (f64, f64)) -> Option<Point> {
        let (x, y) = (self.plot.x.position(x)?, self.plot.y.position(y)?);
        Some((self.x(x), self.y(y)))
    }

    fn axes(&self, s: &mut Surface<'_>) -> Result<(), PlotError> {
        let Rect { left, top, right, bottom } = self.area;
        let chart = self.plot.chart;
        let x_ticks = self.plot.x.ticks(x_room(&self.area));
        let y_ticks = self.plot.y.ticks(y_room(&self.area));
        let is_minor = |t: &&Tick| t.text.is_empty();
        for (minor, rgb) in [(true, MINOR_GRID), (false, GRID)] {
            // A line for every key would be too much; the short ticks do.
            let bare = |scale| minor && scale == Scale::Keys;
            let lined = |t: &&Tick, scale| is_minor(t) == minor && !bare(scale);
            for tick in x_ticks.iter().filter(|t| lined(t, chart.x.scale)) {
                let x = self.x(tick.at);
                s.path(&[(x, top), (x, bottom)], rgb, HAIRLINE)?;
            }
            for tick in y_ticks.iter().filter(|t| lined(t, chart.y.scale)) {
                let y = self.y(tick.at);
                s.path(&[(left, y), (right, y)], rgb, HAIRLINE)?;
            }
        }
        let mut free = f64::NEG_INFINITY;
        for tick in &x_ticks {
            let x = self.x(tick.at);
            let half = text_width(&tick.text, TICK)? / 2.0;
            let long = if tick.text.is_empty() { 3.0 } else { 6.0 };
            s.path(&[(x, bottom), (x, bottom + long)], BLACK, FRAME)?;
            if !tick.text.is_empty() && x - half > free {
                s.text(&tick.text, (x, bottom + ROW), Anchor::Middle, TICK)?;
                free = x + half + 4.0;
            }
        }
        for tick in &y_ticks {
            let y = self.y(tick.at);
            let long = if tick.text.is_empty() { 3.0 } else { 6.0 };
            s.path(&[(left - long, y), (left, y)], BLACK, FRAME)?;
            if !tick.text.is_empty() {
                let baseline = (left - 9.0, y + 0.36 * TICK.em);
                s.text(&tick.text, baseline, Anchor::End, TICK)?;
            }
        }
        let x_title = self.plot.x.title(&chart.x);
        let y_title = self.plot.y.title(&chart.y);
        let middle = ((left + right) / 2.0, bottom + 2.0 * ROW + 1.0);
        s.text(&x_title, middle, Anchor::Middle, LABEL)?;
        let above = top - 12.0 - if self.has_vertical_labels() { ROW } else { 0.0 };
        s.text(&y_title, (MARGIN, above), Anchor::Start, LABEL)
    }

    fn has_vertical_labels(&self) -> bool {
        let mut marks = self.plot.chart.marks.iter();
        marks.any(|m| matches!(m, Mark::Vertical { label, .. } if !label.is_empty()))
    }

    /// Reference lines and the labels right of and above the plot area.
    fn marks(&self, s: &mut Surface<'_>, width: f64) -> Result<(), PlotError> {
        let Rect { left, top, right, bottom } = self.area;
        let inside = |f: &f64| (0.0..=1.0).contains(f);
        // Labels at the right: (where its leader starts, series, text).
        let mut side: Vec<(Point, Option<usize>, &str)> = Vec::new();
        let mut above: Vec<(f64, &str)> = Vec::new();
        for mark in &self.plot.chart.marks {
            let line = match mark {
                Mark::Horizontal { at, label } => {
                    let Some(f) = self.plot.y.position(*at).filter(inside) else {
                        continue;
                    };
                    if !label.is_empty() {
                        side.push(((right, self.y(f)), None, label));
                    }
                    [(left, self.y(f)), (right, self.y(f))]
                }
                Mark::Vertical { at, label } => {
                    let Some(f) = self.plot.x.position(*at).filter(inside) else {
                        continue;
                    };
                    if !label.is_empty() {
                        above.push((self.x(f), label));
                    }
                    [(self.x(f), bottom), (self.x(f), top)]
                }
            };
            for dash in dashes(&line, &[14.0, 5.0]) {
                s.path(&dash, BLACK, 1.25)?;
            }
        }
        for index in self.plot.line_ends() {
            let series = &self.plot.chart.series[index];
            let ends = series.points.iter().rev().filter_map(|&p| self.point(p));
            let end = ends.into_iter().find(|p| self.area.holds(*p));
            // A line out of sight is still named.
            side.push((end.unwrap_or((left, bottom)), Some(index), &series.name));
        }
        let wanted: Vec<_> = side.iter().map(|(from, ..)| (from.1, ROW)).collect();
        let places = spread(&wanted, top - ROW / 2.0, bottom + ROW / 2.0);
        for ((from, series, text), y) in side.into_iter().zip(places) {
            let rgb = series.map_or(BLACK, |i| self.plot.ink(i));
            let mut x = right + LEADER;
            // From a line that ends early the leader would cross the data.
            if right - from.0 < 30.0 {
                s.path(&[from, (right, from.1), (x, y)], rgb, HAIRLINE)?;
            }
            if let Some(index) = series {
                self.sample(s, index, (x, y))?;
                x += SAMPLE;
            }
            let text = fitted(text, NAME, 0.25 * width)?;
            let baseline = (x + GAP, y + 0.36 * NAME.em);
            s.text(&text, baseline, Anchor::Start, NAME)?;
        }
        let mut wanted = Vec::new();
        for (x, text) in &above {
            wanted.push((*x, text_width(text, NAME)? + 2.0 * GAP));
        }
        let places = spread(&wanted, MARGIN, width - MARGIN);
        for ((from, text), x) in above.into_iter().zip(places) {
            s.path(&[(from, top), (x, top - 6.0)], BLACK, HAIRLINE)?;
            s.text(text, (x, top - 9.0), Anchor::Middle, NAME)?;
        }
        Ok(())
    }

    fn legend(&self, s: &mut Surface<'_>, width: f64) -> Result<(), PlotError> {
        let mut y = self.area.bottom + 2.0 * ROW + 6.0 + ROW * 0.75;
        for row in self.plot.legend(width)? {
            for Entry { index, name, x } in row {
                self.sample(s, index, (x, y))?;
                let baseline = (x + SAMPLE + GAP, y + 0.36 * NAME.em);
                s.text(&name, baseline, Anchor::Start, NAME)?;
            }
            y += ROW;
        }
        Ok(())
    }

    /// A specimen of a series, starting at the given point.
    fn sample(&self, s: &mut Surface<'_>, index: usize, (x, y): Point) -> Result<(), PlotError> {
        let rgb = self.plot.ink(index);
        let across = [(x, y), (x + SAMPLE, y)];
        let middle = (x + SAMPLE / 2.0, y);
        match &self.plot.chart.series[index].style {
            Style::Line(line) => {
                stroke(s, &across, *line, rgb)?;
                line.marker.map_or(Ok(()), |m| marker(s, middle, m, rgb))
            }
            Style::Markers(m) => marker(s, middle, *m, rgb),
            Style::Stems { head, thickness, .. } => {
                let top = (middle.0, y - 3.0);
                stem(s, top, y + 7.0, *head, *thickness, rgb)
            }
            Style::Band { edge, .. } => {
                let shade = [(-6.0, 0.0), (-6.0, SAMPLE), (6.0, SAMPLE), (6.0, 0.0)];
                let shade = shade.map(|(dy, dx)| (x + dx, y + dy));
                s.polygon(&shade, rgb, SHADE)?;
                for dy in [-6.0, 6.0] {
                    let edge_line = across.map(|(x, y)| (x, y + dy));
                    stroke(s, &edge_line, edge_style(*edge), rgb)?;
                }
                Ok(())
            }
        }
    }

    fn series(&self, s: &mut Surface<'_>, series: &Series, index: usize) -> Result<(), PlotError> {
        let rgb = self.plot.ink(index);
        let placed = || series.points.iter().filter_map(|&p| self.point(p));
        match &series.style {
            Style::Line(line) => {
                self.line(s, &series.points, *line, rgb)?;
                if let Some(m) = line.marker {
                    // Staggered, so that the markers of neighbouring lines do not coincide.
                    let mut next = self.area.left + (index * 17 % 60) as f64;
                    for p in placed().filter(|p| self.area.holds(*p)) {
                        if p.0 >= next {
                            marker(s, p, m, rgb)?;
                            next = p.0 + 60.0;
                        }
                    }
                }
                Ok(())
            }
            Style::Markers(m) => {
                let inside = placed().filter(|p| self.area.holds(*p)).collect();
                for p in thin_points(inside, self.area.width()) {
                    marker(s, p, *m, rgb)?;
                }
                Ok(())
            }
            Style::Stems { floor, head, thickness } => {
                let floor = self.plot.y.position(*floor).unwrap_or(0.0).clamp(0.0, 1.0);
                let floor = self.y(floor);
                let shown = |p: &Point| {
                    let beyond = p.1 > self.area.bottom + 0.5;
                    self.area.holds((p.0, self.area.top)) && !beyond
                };
                for p in thin_points(placed().filter(shown).collect(), self.area.width()) {
                    let cut = p.1 < self.area.top - 0.5;
                    let end = (p.0, p.1.max(self.area.top));
                    stem(s, end, floor, head.filter(|_| !cut), *thickness, rgb)?;
                }
                Ok(())
            }
            Style::Band { edge, .. } => {
                for (low, high) in self.band_edges(series) {
                    for path in [low, high] {
                        for part in self.area.clip_path(&path) {
                            stroke(s, &part, edge_style(*edge), rgb)?;
                        }
                    }
                }
                Ok(())
            }
        }
    }

    /// The shaded area of a band; nothing for other styles.
    fn shade(&self, s: &mut Surface<'_>, series: &Series, rgb: Rgb) -> Result<(), PlotError> {
        for (low, high) in self.band_edges(series) {
            let outline = low.into_iter().chain(high.into_iter().rev()).collect();
            let inside = self.area.clip_polygon(outline);
            if inside.len() > 2 {
                s.polygon(&inside, rgb, SHADE)?;
            }
        }
        Ok(())
    }

    /// Lower and upper edge of each unbroken part of a band.
    fn band_edges(&self, series: &Series) -> Vec<(Vec<Point>, Vec<Point>)> {
        let Style::Band { upper, .. } = &series.style else {
            return Vec::new();
        };
        let pairs = series.points.iter().zip(upper);
        let edges = pairs.map(|(&(x, low), &high)| {
            let low = self.point((x, low))?;
            Some((low, self.point((x, high))?))
        });
        let edges: Vec<_> = edges.collect();
        let runs = edges.split(Option::is_none).map(|run| {
            let (low, high): (Vec<_>, Vec<_>) = run.iter().flatten().copied().unzip();
            (thin_path(&low), thin_path(&high))
        });
        runs.collect()
    }

    /// A line with a gap at each point that the axes cannot show.
    fn line(
        &self,
        s: &mut Surface<'_>,
        points: &[(f64, f64)],
        line: Line,
        rgb: Rgb,
    ) -> Result<(), PlotError> {
        let placed: Vec<_> = points.iter().map(|&p| self.point(p)).collect();
        for run in placed.split(Option::is_none) {
            let run: Vec<Point> = run.iter().flatten().copied().collect();
            if let [single] = run[..]
                && self.area.holds(single)
            {
                // A lone point between two gaps would vanish.
                s.circle(single, line.thickness, rgb, None)?;
            }
            for part in self.area.clip_path(&thin_path(&run)) {
                stroke(s, &part, line, rgb)?;
            }
        }
        Ok(())
    }
}

/// Opacity of a band.
const SHADE: f64 = 0.16;

fn edge_style(dash: Dash) -> Line {
    Line { dash, thickness: HAIRLINE, marker: None }
}

/// A line with its dash pattern.
fn stroke(s: &mut Surface<'_>, path: &[Point], line: Line, rgb: Rgb) -> Result<(), PlotError> {
    // A path that fills the area with noise gets thinner, so that its envelope stays sharp, and
    // longer dashes, so that their number stays bounded.
    let excess = (length(path) / 8000.0).max(1.0);
    let t = if excess > 1.0 { line.thickness.min(1.0) } else { line.thickness };
    let pattern: &[f64] = match line.dash {
        Dash::Solid => return s.path(path, rgb, t),
        Dash::Dashed => &[9.0, 5.0],
        Dash::Dotted => &[t, 2.5 + t],
        Dash::DashDot => &[10.0, 4.0, t, 4.0],
    };
    let pattern: Vec<_> = pattern.iter().map(|d| d * excess).collect();
    for dash in dashes(path, &pattern) {
        s.path(&dash, rgb, t)?;
    }
    Ok(())
}

fn stem(
    s: &mut Surface<'_>,
    end: Point,
    floor: f64,
    head: Option<Marker>,
    thickness: f64,
    rgb: Rgb,
) -> Result<(), PlotError> {
    // The stem stops at the rim of an open head.
    let open = head.filter(|m| !m.filled && !matches!(m.shape, Shape::Cross | Shape::Plus));
    let rim = open.map_or(0.0, |m| m.size / 2.0).min((floor - end.1).abs());
    let top = (end.0, end.1 + rim * (floor - end.1).signum());
    s.path(&[(end.0, floor), top], rgb, thickness)?;
    head.map_or(Ok(()), |m| marker(s, end, m, rgb))
}

fn marker(s: &mut Surface<'_>, (x, y): Point, m: Marker, rgb: Rgb) -> Result<(), PlotError> {
    let r = m.size / 2.0;
    let thickness = (m.size / 6.0).clamp(1.0, 1.5);
    let at = |dx: f64, dy: f64| (x + dx * r, y + dy * r);
    let mut outline = |points: &[Point]| match m.filled {
        true => s.polygon(points, rgb, 1.0),
        false => s.path(&closed(points.to_vec()), rgb, thickness),
    };
    match m.shape {
        Shape::Circle => s.circle((x, y), r, rgb, (!m.filled).then_some(thickness)),
        Shape::Square => {
            outline(&[(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)].map(|(a, b)| at(a, b)))
        }
        Shape::Triangle => {
            outline(&[(0.0, -1.1), (1.05, 0.8), (-1.05, 0.8)].map(|(a, b)| at(a, b)))
        }
        Shape::Cross => {
            s.path(&[at(-1.0, -1.0), at(1.0, 1.0)], rgb, thickness)?;
            s.path(&[at(-1.0, 1.0), at(1.0, -1.0)], rgb, thickness)
        }
        Shape::Plus => {
            s.path(&[at(-1.1, 0.0), at(1.1, 0.0)], rgb, thickness)?;
            s.path(&[at(0.0, -1.1), at(0.0, 1.1)], rgb, thickness)
        }
    }
}
