//! What a reader of a chart relies on: values stand where the axes say, names and units are legible,
//! nothing is told by colour alone, and the files are valid.

use plumbtone_plot::{
    Axis, Chart, Dash, Ink, Legend, Line, Mark, Marker, PlotError, Ruler, Scale, Series, Shape,
    Sheet, Size, Style,
};
use roxmltree::{Document, Node};

/// Units of the view box per px.
const UNITS: f64 = 4.0;
/// Coordinates are rounded to whole units.
const ROUNDING: f64 = 0.5 / UNITS + 1e-9;

type Points = Vec<(f64, f64)>;

fn svg(chart: &Chart) -> String {
    chart.to_svg(Size::default()).expect("the chart is drawable")
}

fn attribute(node: Node<'_, '_>, name: &str) -> f64 {
    let text = node.attribute(name).expect("the attribute is there");
    text.parse::<f64>().expect("the attribute is a number")
}

/// Centres of all circles, px.
fn circles(document: &Document<'_>) -> Points {
    let circles = document.descendants().filter(|n| n.has_tag_name("circle"));
    circles.map(|c| (attribute(c, "cx") / UNITS, attribute(c, "cy") / UNITS)).collect()
}

/// All texts with their anchor points, px.
fn texts(document: &Document<'_>) -> Vec<(String, f64, f64)> {
    let texts = document.descendants().filter(|n| n.has_tag_name("text"));
    texts
        .map(|t| {
            let text = t.text().unwrap_or_default().trim().to_string();
            (text, attribute(t, "x") / UNITS, attribute(t, "y") / UNITS)
        })
        .collect()
}

fn text_at(document: &Document<'_>, wanted: &str) -> (f64, f64) {
    let found = texts(document).into_iter().find(|t| t.0 == wanted);
    let (_, x, y) = found.unwrap_or_else(|| panic!("no text {wanted:?}"));
    (x, y)
}

/// Left, top, right and bottom of the frames: the closed black paths with four right angles.
fn frames(document: &Document<'_>) -> Vec<[f64; 4]> {
    let paths = document.descendants().filter(|n| n.has_tag_name("polyline"));
    paths
        .filter_map(|p| {
            let points: Vec<(f64, f64)> = p
                .attribute("points")?
                .split_whitespace()
                .filter_map(|xy| xy.split_once(','))
                .map(|(x, y)| (x.parse::<f64>().unwrap(), y.parse::<f64>().unwrap()))
                .collect();
            match points[..] {
                [(l, t), (r, t2), (r2, b), (l2, b2), end]
                    if t == t2 && r == r2 && b == b2 && l == l2 && end == (l, t) =>
                {
                    Some([l, t, r, b].map(|v| v / UNITS))
                }
                _ => None,
            }
        })
        .collect()
}

fn assert_close(found: f64, wanted: f64, what: &str) {
    assert!((found - wanted).abs() <= 2.0 * ROUNDING, "{what}: {found} px, not {wanted} px");
}

fn dots(points: Points) -> Series {
    Series::markers("", points, Marker::filled(Shape::Circle))
}

#[test]
fn linear_axes_put_points_where_the_ticks_say() {
    let chart = Chart::new(
        "Spectrum",
        Axis::linear("Frequency", "kHz").range(0.0, 20.0),
        Axis::linear("Level", "dBc").range(-160.0, 0.0),
    )
    .with(dots(vec![(0.0, -160.0), (20.0, 0.0), (5.0, -40.0), (12.0, -100.0)]));
    let svg = svg(&chart);
    let document = Document::parse(&svg).unwrap();
    let [left, top, right, bottom] = frames(&document)[0];
    let at = circles(&document);
    assert_eq!(at.len(), 4);
    for ((x, y), (fx, fy)) in at.iter().zip([(0.0, 0.0), (1.0, 1.0), (0.25, 0.75), (0.6, 0.375)]) {
        assert_close(*x, left + fx * (right - left), "x");
        assert_close(*y, bottom - fy * (bottom - top), "y");
    }
    assert_close(text_at(&document, "12").0, at[3].0, "tick 12 kHz");
    // Tick texts are centred on their value: x height half of 13 px type, within 2 px.
    let baseline = text_at(&document, "−100").1 + 0.76 * 13.0;
    assert!((baseline - 0.36 * 13.0 - at[3].1).abs() < 0.5);
    for label in ["Frequency (kHz)", "Level (dBc)"] {
        text_at(&document, label);
    }
}

#[test]
fn logarithmic_axes_space_decades_evenly_and_drop_zero() {
    let line =
        vec![(10.0, 1.0), (100.0, 1.0), (0.0, 1.0), (-5.0, 1.0), (200.0, 1.0), (1000.0, 1.0)];
    let chart = Chart::new(
        "",
        Axis::log10("Frequency", "Hz").range(10.0, 1000.0),
        Axis::linear("Gain", "dB").range(0.0, 2.0),
    )
    .with(dots(vec![(10.0, 1.0), (31.622_776_6, 1.0), (100.0, 1.0), (0.0, 1.0), (-1.0, 1.0)]))
    .with(Series::line("", line).ink(Ink::Plum));
    let svg = svg(&chart);
    let document = Document::parse(&svg).unwrap();
    let [left, _, right, _] = frames(&document)[0];
    let at = circles(&document);
    assert_eq!(at.len(), 3);
    for ((x, _), fraction) in at.iter().zip([0.0, 0.25, 0.5]) {
        assert_close(*x, left + fraction * (right - left), "x");
    }
    assert_close(text_at(&document, "100").0, at[2].0, "tick 100 Hz");
    // The line has a gap where the values cannot be shown.
    let plum = |n: &Node<'_, '_>| n.attribute("stroke") == Some("#6E274F");
    assert_eq!(document.descendants().filter(plum).count(), 2);
    // Minor lines at 2 to 9 of both decades, and ticks for them.
    let minor = |n: &Node<'_, '_>| n.attribute("stroke") == Some("#ECECEC");
    assert_eq!(document.descendants().filter(minor).count() + named_mantissas(&document), 16);
}

/// Ticks at 2 and 5 of a decade bear texts where there is room.
fn named_mantissas(document: &Document<'_>) -> usize {
    let names = ["20", "50", "200", "500"];
    texts(document).iter().filter(|t| names.contains(&t.0.as_str())).count()
}

#[test]
fn keys_bear_note_names() {
    // Scientific pitch notation (Young, JASA 11, 1939, 134-139): C4 is middle C and A0 the lowest
    // piano key; MIDI 1.0 numbers middle C 60, so A0 is 21 and C8 is 108.
    let keys = [(21.0, "A0"), (60.0, "C4"), (108.0, "C8")];
    let chart =
        Chart::new("", Axis::keys("Key").range(21.0, 108.0), Axis::linear("Deviation", "cents"))
            .with(dots(keys.map(|(k, _)| (k, 0.0)).to_vec()));
    let svg = svg(&chart);
    let document = Document::parse(&svg).unwrap();
    for ((x, _), (_, name)) in circles(&document).iter().zip(keys) {
        assert_close(text_at(&document, name).0, *x, name);
    }
}

#[test]
fn small_values_take_their_power_of_ten_into_the_unit() {
    let axis = Axis::linear("Residual", "full scale").range(-2e-9, 2e-9);
    let chart = Chart::new("", Axis::linear("Time", ""), axis).with(dots(vec![(1.0, 1e-9)]));
    let svg = svg(&chart);
    let document = Document::parse(&svg).unwrap();
    text_at(&document, "Residual (10⁻⁹ full scale)");
    text_at(&document, "Time");
    let tick = text_at(&document, "1.0").1 + 0.76 * 13.0 - 0.36 * 13.0;
    assert!((tick - circles(&document)[0].1).abs() < 0.5);
}

#[test]
fn automatic_range_shows_all_data_marks_and_floors() {
    let chart = Chart::new("", Axis::linear("x", ""), Axis::linear("y", ""))
        .with(Series::stems("", vec![(3.0, 5.0), (9.0, 7.0)], -4.0, None))
        .with(dots(vec![(3.0, -4.0), (9.0, 11.0)]))
        .mark(Mark::horizontal(11.0, ""));
    let svg = svg(&chart);
    let document = Document::parse(&svg).unwrap();
    let [left, top, right, bottom] = frames(&document)[0];
    // 3 % margin at each end.
    let edge = 0.03 / 1.06;
    let at = circles(&document);
    assert_close(at[0].0, left + edge * (right - left), "left");
    assert_close(at[1].0, right - edge * (right - left), "right");
    assert_close(at[0].1, bottom - edge * (bottom - top), "bottom");
    assert_close(at[1].1, top + edge * (bottom - top), "top");
}

#[test]
fn frames_tell_where_the_axes_stand() {
    let upper = Chart::new("", Axis::log10("f", "Hz").range(20.0, 2e4), Axis::linear("L", "dB"))
        .with(dots(vec![(200.0, -3.0), (2_000.0, 7.0)]));
    let keys = Axis::keys("Key").range(21.0, 108.0);
    let lower = Chart::new("second", keys, Axis::linear("d", "cents").range(-2.0, 2.0))
        .with(dots(vec![(60.0, 1.0)]));
    let sheet = Sheet::new("Both").with(upper, 2.0).with(lower, 1.0);
    let size = Size { width: 800, height: 700 };
    let svg = sheet.to_svg(size).unwrap();
    let document = Document::parse(&svg).unwrap();
    let told = sheet.frames(size).unwrap();
    assert_eq!(told.len(), 2);
    for (told, [left, top, right, bottom]) in told.iter().zip(frames(&document)) {
        assert_close(told.left, left, "left");
        assert_close(told.top, top, "top");
        assert_close(told.right, right, "right");
        assert_close(told.bottom, bottom, "bottom");
    }
    // Every dot stands where its frame says.
    let at = circles(&document);
    let values = [(200.0, -3.0), (2_000.0, 7.0), (60.0, 1.0)];
    for ((x, y), ((px, py), frame)) in values.into_iter().zip(at.iter().zip([0, 0, 1])) {
        let frame = &told[frame];
        let part = |ruler: &Ruler, value: f64| match ruler.scale {
            Scale::Log10 => (value / ruler.low).log10() / (ruler.high / ruler.low).log10(),
            _ => (value - ruler.low) / (ruler.high - ruler.low),
        };
        let across = frame.left + part(&frame.x, x) * (frame.right - frame.left);
        let down = frame.bottom - part(&frame.y, y) * (frame.bottom - frame.top);
        assert_close(*px, across, "x");
        assert_close(*py, down, "y");
    }
    assert_eq!((told[1].title.as_str(), told[1].y.unit.as_str()), ("second", "cents"));
    assert!((told[0].x.high - 2e4).abs() < 1e-6);
}

#[test]
fn styles_differ_without_colour() {
    let points = || (0..200).map(|i| (f64::from(i), f64::from(i % 20))).collect::<Points>();
    let markers = [
        Marker::filled(Shape::Circle),
        Marker::open(Shape::Circle),
        Marker::filled(Shape::Square),
        Marker::open(Shape::Square),
        Marker::filled(Shape::Triangle),
        Marker::open(Shape::Triangle),
        Marker::open(Shape::Cross),
        Marker::open(Shape::Plus),
    ];
    let stems = markers.map(|head| Style::Stems { floor: 0.0, head: Some(head), thickness: 1.25 });
    let bands = [Dash::Solid, Dash::Dashed, Dash::Dotted, Dash::DashDot]
        .map(|edge| Style::Band { upper: vec![30.0; 200], edge });
    let drawings: Vec<_> = (0..8)
        .map(|i| Style::Line(Line::distinct(i)))
        .chain(markers.map(Style::Markers))
        .chain(stems)
        .chain(bands)
        .map(|style| {
            let axis = || Axis::linear("", "").range(0.0, 200.0);
            let series = Series::new("one name", points(), style).ink(Ink::Black);
            Chart::new("", axis(), axis()).with(series).to_svg(Size::default()).unwrap()
        })
        .collect();
    for (i, a) in drawings.iter().enumerate() {
        for (j, b) in drawings.iter().enumerate().skip(i + 1) {
            assert_ne!(a, b, "styles {i} and {j} look the same");
        }
    }
}

/// Linear light of an ink, 0 to 1 (IEC 61966-2-1).
fn linear(ink: Ink) -> [f64; 3] {
    ink.rgb().map(|v| {
        let v = f64::from(v) / 255.0;
        if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
    })
}

fn times(m: [[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
    m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// CIELAB (CIE 15) with white D65 and the matrix of IEC 61966-2-1.
fn lab(linear: [f64; 3]) -> [f64; 3] {
    let xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]];
    let [x, y, z] = times(xyz, linear.map(|v| v.clamp(0.0, 1.0)));
    let f = |t: f64| {
        if t > 0.008_856 { t.cbrt() } else { 7.787 * t + 16.0 / 116.0 }
    };
    let (x, y, z) = (f(x / 0.9505), f(y), f(z / 1.089));
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

#[test]
fn inks_are_apart_for_every_eye() {
    // Machado, Oliveira and Fernandes, IEEE TVCG 15(6), 2009, severity 1; matrices from memory.
    let normal = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    let protan = [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ];
    let deutan = [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ];
    let inks: Vec<_> = Ink::TURN.into_iter().chain([Ink::Grey]).collect();
    for (i, &a) in inks.iter().enumerate() {
        // Contrast ratio on white, WCAG 2.1; 3:1 is its limit for graphics (1.4.11).
        let [r, g, b] = linear(a);
        let contrast = 1.05 / (0.2126 * r + 0.7152 * g + 0.0722 * b + 0.05);
        assert!(contrast >= 3.0, "{a:?}: {contrast}");
        for &b in &inks[i + 1..] {
            for eye in [normal, protan, deutan] {
                let (p, q) = (lab(times(eye, linear(a))), lab(times(eye, linear(b))));
                let apart = (0..3).map(|k| (p[k] - q[k]).powi(2)).sum::<f64>().sqrt();
                assert!(apart >= 20.0, "{a:?} and {b:?}: {apart}");
            }
        }
    }
}

#[test]
fn svg_is_accessible_and_escaped() {
    let nasty = "a < b & \"c\" > 'd' \u{1}]]>";
    let chart = Chart::new(nasty, Axis::linear(nasty, "kHz"), Axis::linear("y", nasty))
        .note(nasty)
        .with(dots(vec![(1.0, 1.0)]))
        .with(Series::line(nasty, vec![(0.0, 0.0), (1.0, 1.0)]))
        .mark(Mark::horizontal(0.5, "limit"));
    let svg = svg(&chart);
    let document = Document::parse(&svg).unwrap();
    let root = document.root_element();
    assert_eq!(root.attribute("role"), Some("img"));
    assert_eq!((attribute(root, "width"), attribute(root, "height")), (960.0, 540.0));
    let child = |name| {
        let node = root.children().find(|n| n.has_tag_name(("http://www.w3.org/2000/svg", name)));
        node.and_then(|n| n.text()).unwrap_or_default().to_string()
    };
    let shown = nasty.replace('\u{1}', "");
    assert_eq!(child("title"), shown);
    for part in [shown.as_str(), "kHz", "2 points", "limit: line at y = 0.5"] {
        assert!(child("desc").contains(part), "desc lacks {part:?}");
    }
    text_at(&document, &shown);
    for text in document.descendants().filter(|n| n.has_tag_name("text")) {
        assert!(text.attribute("font-family").is_some_and(|f| f.ends_with(", sans-serif")));
        let px = attribute(text, "font-size") / UNITS;
        assert!(px > 12.999, "{px} px");
    }
}

#[test]
fn figures_are_read_out_to_six_digits() {
    let x = Axis::log10("x", "Hz").range(1000.0 / 6.0, 3000.0);
    let y = Axis::linear("y", "").range(-1.0 / 3.0, 2.0);
    let chart = Chart::new("", x, y).with(dots(vec![(200.0, 1.0)]));
    let svg = svg(&chart.mark(Mark::horizontal(2.0 / 3.0, "limit")));
    for read in ["166.667 to 3000 Hz", "-0.333333 to 2.", "y = 0.666667."] {
        assert!(svg.contains(read), "desc lacks {read:?}");
    }
}

#[test]
fn png_has_the_ink_where_the_svg_has_it() {
    let axis = || Axis::linear("x", "").range(0.0, 10.0);
    let points = vec![(2.5, 7.5), (7.5, 2.5)];
    let marker = Marker::filled(Shape::Circle);
    let chart = Chart::new("Points", axis(), axis())
        .with(Series::markers("", points, marker).ink(Ink::Violet));
    let size = Size { width: 600, height: 401 };
    let svg = chart.to_svg(size).unwrap();
    let document = Document::parse(&svg).unwrap();
    let png = chart.to_png(size).unwrap();
    let mut reader = png::Decoder::new(std::io::Cursor::new(png)).read_info().unwrap();
    let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut pixels).unwrap();
    assert_eq!((info.width, info.height), (1200, 802));
    let pixel = |x: f64, y: f64| {
        let start = (y.round() as usize * 1200 + x.round() as usize) * 3;
        [pixels[start], pixels[start + 1], pixels[start + 2]]
    };
    let at = circles(&document);
    assert_eq!(at.len(), 2);
    for (x, y) in at {
        assert_eq!(pixel(2.0 * x, 2.0 * y), Ink::Violet.rgb());
        // The marker is 8 px wide: white at 5 px from its centre, except along grid lines.
        assert_eq!(pixel(2.0 * x + 8.0, 2.0 * y + 8.0), [255; 3]);
    }
    // The title is drawn: dark pixels between its baseline and its top.
    let dark = (0..1200).filter(|&x| pixel(f64::from(x), 2.0 * (16.0 + 12.0))[0] < 80).count();
    assert!(dark > 10);
}

#[test]
fn many_lines_stay_small_and_keep_the_worst() {
    // A low-discrepancy sequence over frequency, levels with one line that stands out.
    let mut lines: Points = (0..30_000)
        .map(|i| (22.05 * (f64::from(i) * 0.618_033_988_75).fract(), -100.0 - f64::from(i % 59)))
        .collect();
    lines[12_345].1 = -42.0;
    let worst = lines[12_345];
    let head = Some(Marker::open(Shape::Circle).size(4.0));
    let chart = Chart::new(
        "",
        Axis::linear("Frequency", "kHz").range(0.0, 22.05),
        Axis::linear("Level", "dBc").range(-160.0, 0.0),
    )
    .with(Series::stems("measured", lines.clone(), -160.0, head))
    .with(Series::markers("theory", lines, Marker::open(Shape::Cross)));
    let svg = svg(&chart);
    assert!(svg.len() < 400_000, "{} bytes", svg.len());
    let document = Document::parse(&svg).unwrap();
    let [left, top, right, bottom] = frames(&document)[0];
    let highest = circles(&document).into_iter().min_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
    assert_close(highest.0, left + worst.0 / 22.05 * (right - left), "worst line, x");
    assert_close(highest.1, top + 42.0 / 160.0 * (bottom - top), "worst line, y");
}

#[test]
fn long_noise_stays_small_in_every_dash() {
    let noise: Points = (0..200_000).map(|i| (f64::from(i), f64::from(i * 7919 % 1009))).collect();
    for dash in [Dash::Solid, Dash::Dashed, Dash::Dotted, Dash::DashDot] {
        let line = Style::Line(Line { dash, ..Line::PLAIN });
        let chart = Chart::new("", Axis::linear("", ""), Axis::linear("", "")).with(Series::new(
            "",
            noise.clone(),
            line,
        ));
        assert!(svg(&chart).len() < 400_000, "{dash:?}");
    }
}

#[test]
fn names_stand_outside_the_plot_area_and_apart() {
    let names: Vec<_> = (0..8).map(|i| format!("algorithm {i}")).collect();
    for legend in [Legend::Below, Legend::LineEnds, Legend::Both] {
        let chart = Chart::new("", Axis::keys("Key"), Axis::linear("Alias", "dB")).legend(legend);
        // All lines end in one point, the worst case for labels at the ends.
        let chart = names.iter().enumerate().fold(chart, |chart, (i, name)| {
            let points = vec![(21.0, -10.0 * i as f64), (108.0, -40.0)];
            chart.with(Series::new(name, points, Style::Line(Line::distinct(i))))
        });
        // One line has no points at all; it is named all the same.
        let mut chart = chart.mark(Mark::horizontal(-40.0, "limit"));
        chart.series[3].points.clear();
        let svg = svg(&chart);
        let document = Document::parse(&svg).unwrap();
        let [_, _, right, bottom] = frames(&document)[0];
        let named: Vec<_> = texts(&document)
            .into_iter()
            .filter(|t| names.contains(&t.0) || t.0 == "limit")
            .collect();
        let wanted = if legend == Legend::Both { 17 } else { 9 };
        assert_eq!(named.len(), wanted, "{legend:?}");
        for (i, (_, x, y)) in named.iter().enumerate() {
            assert!(*x > right || *y > bottom);
            for (_, x2, y2) in &named[i + 1..] {
                assert!((x - x2).abs() > 80.0 || (y - y2).abs() > 13.0, "{legend:?}");
            }
        }
    }
}

#[test]
fn charts_without_data_say_so() {
    let bad = vec![(f64::NAN, 1.0), (1.0, f64::INFINITY), (1.0, 0.0), (1.0, -1.0), (1e200, 1.0)];
    let axes = || (Axis::linear("x", "s"), Axis::log10("y", "V"));
    let chart = |series: Option<Series>| {
        let (x, y) = axes();
        series.into_iter().fold(Chart::new("Empty", x, y), Chart::with)
    };
    for empty in
        [chart(None), chart(Some(Series::line("bad", bad.clone()))), chart(Some(dots(bad)))]
    {
        let svg = svg(&empty);
        text_at(&Document::parse(&svg).unwrap(), "no data");
        empty.to_png(Size::default()).unwrap();
    }
    let svg = svg(&chart(Some(dots(vec![(1.0, 1.0)]))));
    assert!(!svg.contains("no data"));
    Sheet::new("Nothing").to_svg(Size::default()).unwrap();
}

#[test]
fn extreme_values_are_drawn_without_failing() {
    for points in [
        vec![(1e150, -1e150), (-1e150, 1e150)],
        vec![(1e-300, 5e-324), (1.0, 1e-150)],
        vec![(440.0, 440.0), (440.0 + 1e-13, 440.0)],
    ] {
        for axis in [Axis::linear, Axis::log10] {
            let both = Line { marker: Some(Marker::open(Shape::Plus)), ..Line::PLAIN };
            let chart = Chart::new("", axis("x", ""), axis("y", ""))
                .with(Series::new("line", points.clone(), Style::Line(both)))
                .with(Series::stems("stems", points.clone(), 0.0, None))
                .with(Series::band(
                    "band",
                    &points.iter().map(|p| (p.0, p.1, 1.0)).collect::<Vec<_>>(),
                ));
            Document::parse(&svg(&chart)).unwrap();
            chart.to_png(Size::default()).unwrap();
        }
    }
}

#[test]
fn points_outside_a_fixed_range_are_clipped_at_the_frame() {
    let axis = || Axis::linear("", "").range(0.0, 1.0);
    let wild = vec![(-5.0, 0.5), (0.5, 9.0), (0.5, -9.0), (7.0, 0.5)];
    let chart = Chart::new("", axis(), axis())
        .with(Series::line("", wild.clone()).ink(Ink::Plum))
        .with(Series::stems("", wild.clone(), -100.0, None).ink(Ink::Plum))
        .with(Series::band("", &[(-5.0, -5.0, 5.0), (9.0, 0.5, 0.7)]).ink(Ink::Plum))
        .with(dots(wild));
    let svg = svg(&chart);
    let document = Document::parse(&svg).unwrap();
    let [left, top, right, bottom] = frames(&document)[0];
    assert!(circles(&document).is_empty());
    let mut checked = 0;
    for node in document.descendants() {
        if ![node.attribute("stroke"), node.attribute("fill")].contains(&Some("#6E274F")) {
            continue;
        }
        let ends = [("x1", "y1"), ("x2", "y2")]
            .map(|(x, y)| Some(format!("{},{}", node.attribute(x)?, node.attribute(y)?)));
        let listed = node.attribute("points").unwrap_or_default();
        let points = ends.into_iter().flatten().chain(listed.split_whitespace().map(String::from));
        for point in points {
            let (x, y) = point.split_once(',').unwrap();
            let (x, y) = (x.parse::<f64>().unwrap() / UNITS, y.parse::<f64>().unwrap() / UNITS);
            assert!(x >= left && x <= right && y >= top && y <= bottom, "{x}, {y}");
            checked += 1;
        }
    }
    // Two crossings of the line, two stems and the band with its edges.
    assert!(checked >= 8, "{checked}");
}

#[test]
fn sheets_align_their_plot_areas() {
    let chart = |low: f64| {
        Chart::new("Part", Axis::linear("Time", "s"), Axis::linear("y", "V"))
            .with(Series::line("a", vec![(0.0, low), (1.0, low + 1.0)]))
    };
    let edges = [(0.0, -12_345.0), (-12_345.0, 0.0)].map(|(first, second)| {
        let sheet = Sheet::new("Both").with(chart(first), 2.0).with(chart(second), 1.0);
        let svg = sheet.to_svg(Size { width: 960, height: 720 }).unwrap();
        let document = Document::parse(&svg).unwrap();
        let [upper, lower] = frames(&document)[..] else {
            panic!("not two frames");
        };
        assert_eq!((upper[0], upper[2]), (lower[0], lower[2]));
        assert!(upper[3] < lower[1]);
        upper[0]
    });
    // The wider tick texts decide, wherever they stand.
    assert_eq!(edges[0], edges[1]);
}

#[test]
fn equal_charts_give_equal_files() {
    let chart = || {
        Chart::new("Same", Axis::linear("x", ""), Axis::linear("y", ""))
            .with(Series::line("a", vec![(0.0, 1.0), (2.0, 3.0)]))
    };
    assert_eq!(svg(&chart()), svg(&chart()));
    let png = |c: Chart| c.to_png(Size::default()).unwrap();
    assert_eq!(png(chart()), png(chart()));
}

#[test]
fn unusable_input_is_named_in_the_error() {
    let plain = || Chart::new("", Axis::linear("x", ""), Axis::linear("y", ""));
    let ranged = |axis: Axis| Chart::new("", Axis::linear("x", ""), axis);
    let sized = |width, height| plain().to_svg(Size { width, height });
    let thick = Series::line("bar", vec![]).thickness(f64::NAN);
    let huge = dots(vec![]);
    let huge = Series { style: Style::Markers(Marker::open(Shape::Cross).size(1e9)), ..huge };
    let uneven = Style::Band { upper: vec![1.0], edge: Dash::Solid };
    let drawn = |chart: Chart| chart.to_svg(Size::default());
    let sheet = Sheet::new("").with(plain(), 0.0).to_svg(Size::default());
    for (result, named, value) in [
        (sized(239, 540), "width", "239"),
        (sized(960, 2401), "height", "2401"),
        (drawn(ranged(Axis::linear("y", "").range(1.0, 1.0))), "y range", "1 to 1"),
        (drawn(ranged(Axis::linear("y", "").range(0.0, f64::NAN))), "y range", "NaN"),
        (drawn(ranged(Axis::log10("y", "").range(0.0, 1.0))), "y range", "0 to 1"),
        (drawn(ranged(Axis::keys("y").range(0.0, 1e9))), "y range", "1000000000"),
        (drawn(plain().with(thick)), "thickness", "NaN"),
        (drawn(plain().with(huge)), "marker size", "1000000000"),
        (drawn(plain().with(Series::new("b", vec![], uneven))), "upper edge", "1 values"),
        (sheet, "share", "0"),
    ] {
        let error = result.expect_err(named);
        assert!(matches!(error, PlotError::OutOfRange { .. }));
        let text = error.to_string();
        assert!(text.contains(named) && text.contains(value), "{text}");
    }
    let crowded = (0..40).fold(plain(), |c, i| c.with(Series::line(format!("series {i}"), vec![])));
    let small = Size { width: 300, height: 240 };
    assert!(matches!(crowded.to_png(small), Err(PlotError::OutOfRange { .. })));
}
