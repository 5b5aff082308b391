//! Series and how they look: dash, thickness, marker and ink.

use crate::PlotError;

/// Ink colours. Each has a contrast of at least 3:1 on white (WCAG 2.1, 1.4.11), and any two stay
/// at least 20 CIELAB units apart in normal, protan and deutan vision (Machado, Oliveira and
/// Fernandes, IEEE TVCG 15(6), 2009, 1291-1298; severity 1).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ink {
    /// Deep blue.
    Blue,
    /// Dark red-brown.
    Rust,
    /// Middle green.
    Green,
    /// Bright violet.
    Violet,
    /// Yellow-brown.
    Ochre,
    /// Near black.
    Black,
    /// Light blue.
    Sky,
    /// Dark purple-red.
    Plum,
    /// Middle grey; not taken in turn, for limits and bands.
    Grey,
}

impl Ink {
    /// The inks that series take in turn.
    pub const TURN: [Self; 8] = [
        Self::Blue,
        Self::Rust,
        Self::Green,
        Self::Violet,
        Self::Ochre,
        Self::Black,
        Self::Sky,
        Self::Plum,
    ];

    /// Red, green and blue, sRGB.
    pub const fn rgb(self) -> [u8; 3] {
        match self {
            Self::Blue => [0x21, 0x40, 0x99],
            Self::Rust => [0x94, 0x2E, 0x10],
            Self::Green => [0x35, 0xA0, 0x59],
            Self::Violet => [0x73, 0x0D, 0xE3],
            Self::Ochre => [0xAC, 0x7A, 0x17],
            Self::Black => [0x1A, 0x1A, 0x1A],
            Self::Sky => [0x1C, 0x9A, 0xC9],
            Self::Plum => [0x6E, 0x27, 0x4F],
            Self::Grey => [0x76, 0x76, 0x76],
        }
    }
}

/// Dash pattern of a line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Dash {
    /// No gaps.
    #[default]
    Solid,
    /// Long dashes.
    Dashed,
    /// Dots.
    Dotted,
    /// A dash and a dot in turn.
    DashDot,
}

/// Outline of a marker.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// Circle.
    Circle,
    /// Square.
    Square,
    /// Triangle, point up.
    Triangle,
    /// Diagonal cross; has no filled form.
    Cross,
    /// Upright cross; has no filled form.
    Plus,
}

/// A marker at a point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Marker {
    /// Outline.
    pub shape: Shape,
    /// Filled with ink, or open.
    pub filled: bool,
    /// Width, 0.25 to 40 px.
    pub size: f64,
}

impl Marker {
    /// A filled marker, 8 px wide.
    pub const fn filled(shape: Shape) -> Self {
        Self { shape, filled: true, size: 8.0 }
    }

    /// An open marker, 8 px wide.
    pub const fn open(shape: Shape) -> Self {
        Self { filled: false, ..Self::filled(shape) }
    }

    /// Sets the width in px.
    pub const fn size(self, size: f64) -> Self {
        Self { size, ..self }
    }
}

/// How a line is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Dash pattern.
    pub dash: Dash,
    /// Thickness, 0.25 to 40 px.
    pub thickness: f64,
    /// A marker set on a data point about every 60 px.
    pub marker: Option<Marker>,
}

impl Line {
    /// A solid line, 2 px.
    pub const PLAIN: Self = Self { dash: Dash::Solid, thickness: 2.0, marker: None };

    /// Eight lines that stay apart in grey, repeated after `index` 7.
    pub const fn distinct(index: usize) -> Self {
        use Shape::{Circle, Cross, Square, Triangle};
        let (dash, thickness, marker) = match index % 8 {
            0 => (Dash::Solid, 3.0, None),
            1 => (Dash::Dashed, 2.0, None),
            2 => (Dash::Dotted, 2.5, None),
            3 => (Dash::Solid, 1.25, Some(Marker::open(Circle))),
            4 => (Dash::DashDot, 2.0, None),
            5 => (Dash::Solid, 1.25, Some(Marker::filled(Square))),
            6 => (Dash::Dashed, 1.25, Some(Marker::open(Triangle))),
            _ => (Dash::Solid, 1.25, Some(Marker::open(Cross))),
        };
        Self { dash, thickness, marker }
    }
}

/// How a series is drawn.
#[derive(Clone, Debug, PartialEq)]
pub enum Style {
    /// Points joined in the order given.
    Line(Line),
    /// A marker at each point.
    Markers(Marker),
    /// A thin vertical line from the floor to each point, with a marker as its head.
    Stems {
        /// Foot of the stems, in the unit of the y axis; one that the axis cannot show is its low end.
        floor: f64,
        /// Head; none for bare stems.
        head: Option<Marker>,
        /// Thickness, 0.25 to 40 px.
        thickness: f64,
    },
    /// A shaded area; the points of the series are its lower edge.
    Band {
        /// y values of the upper edge, one per point.
        upper: Vec<f64>,
        /// Dash pattern of both edges.
        edge: Dash,
    },
}

/// A named set of points.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Name in the legend; without one the series is not listed.
    pub name: String,
    /// Points (x, y) in the units of the axes.
    pub points: Vec<(f64, f64)>,
    /// How it is drawn.
    pub style: Style,
    /// Ink; `None` takes the next of [`Ink::TURN`] by position in the chart.
    pub ink: Option<Ink>,
}

impl Series {
    /// A series of any style.
    pub fn new(name: impl Into<String>, points: Vec<(f64, f64)>, style: Style) -> Self {
        Self { name: name.into(), points, style, ink: None }
    }

    /// A solid line.
    pub fn line(name: impl Into<String>, points: Vec<(f64, f64)>) -> Self {
        Self::new(name, points, Style::Line(Line::PLAIN))
    }

    /// Markers only.
    pub fn markers(name: impl Into<String>, points: Vec<(f64, f64)>, marker: Marker) -> Self {
        Self::new(name, points, Style::Markers(marker))
    }

    /// Stems from `floor` with heads, 1.25 px thick.
    pub fn stems(
        name: impl Into<String>,
        points: Vec<(f64, f64)>,
        floor: f64,
        head: Option<Marker>,
    ) -> Self {
        let style = Style::Stems { floor, head, thickness: 1.25 };
        Self::new(name, points, style)
    }

    /// A grey band from points `(x, lower, upper)`.
    pub fn band(name: impl Into<String>, edges: &[(f64, f64, f64)]) -> Self {
        let lower = edges.iter().map(|e| (e.0, e.1)).collect();
        let upper = edges.iter().map(|e| e.2).collect();
        let edge = Dash::Solid;
        Self::new(name, lower, Style::Band { upper, edge }).ink(Ink::Grey)
    }

    /// Sets the thickness of a line or of stems, px; no effect on other styles.
    pub fn thickness(mut self, px: f64) -> Self {
        match &mut self.style {
            Style::Line(Line { thickness, .. }) | Style::Stems { thickness, .. } => *thickness = px,
            Style::Markers(_) | Style::Band { .. } => {}
        }
        self
    }

    /// Sets the ink.
    pub fn ink(mut self, ink: Ink) -> Self {
        self.ink = Some(ink);
        self
    }

    pub(crate) fn check(&self) -> Result<(), PlotError> {
        let name = &self.name;
        let wrong = |what: &str, value: String, allowed| PlotError::OutOfRange {
            parameter: format!("{what} of \"{name}\""),
            value,
            allowed,
        };
        let (thickness, marker) = match &self.style {
            Style::Line(line) => (Some(line.thickness), line.marker),
            Style::Markers(marker) => (None, Some(*marker)),
            Style::Stems { head, thickness, .. } => (Some(*thickness), *head),
            Style::Band { upper, .. } if upper.len() != self.points.len() => {
                let values = format!("{} values", upper.len());
                return Err(wrong("upper edge", values, "as many values as points"));
            }
            Style::Band { .. } => (None, None),
        };
        let size = marker.map(|m| m.size);
        for (what, px) in [("thickness", thickness), ("marker size", size)] {
            if let Some(px) = px
                && !(0.25..=40.0).contains(&px)
            {
                return Err(wrong(what, format!("{px} px"), "0.25 to 40 px"));
            }
        }
        Ok(())
    }

    /// The points of the lower edge or the series itself, then those of a band's upper edge.
    pub(crate) fn all_points(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let upper: &[f64] = match &self.style {
            Style::Band { upper, .. } => upper,
            _ => &[],
        };
        let upper = self.points.iter().zip(upper).map(|(p, &y)| (p.0, y));
        self.points.iter().copied().chain(upper)
    }
}
