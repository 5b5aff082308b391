//! The house style for charts: plain data in, SVG text and PNG bytes out.
//!
//! The look is that of a laboratory measurement sheet: white paper, thin black frame, hairline grid.
//! Every series can be told apart without colour (dash, thickness, marker), and names stand outside
//! the plot area, so they never hide data. This crate knows nothing of measuring.
//!
//! Lengths are CSS pixels (1/96 inch). An SVG of the default [`Size`] is 960 by 540 px; the PNG of
//! the same chart has twice as many pixels each way.
//!
//! ```
//! use plumbtone_plot::{Axis, Chart, Mark, Series, Size};
//!
//! let chart = Chart::new(
//!     "Pitch deviation",
//!     Axis::keys("Key"),
//!     Axis::linear("Deviation", "cents").range(-2.0, 2.0),
//! )
//! .with(Series::line("float", vec![(21.0, 0.1), (60.0, 0.0), (108.0, -0.2)]))
//! .mark(Mark::horizontal(1.0, "limit"));
//! let svg = chart.to_svg(Size::default())?;
//! assert!(svg.contains("Deviation (cents)"));
//! # Ok::<(), plumbtone_plot::PlotError>(())
//! ```

mod axis;
mod geometry;
mod layout;
mod style;
mod surface;

pub use axis::{Axis, Range, Ruler, Scale};
pub use style::{Dash, Ink, Line, Marker, Series, Shape, Style};

/// Why a chart could not be drawn.
#[derive(Debug, thiserror::Error)]
pub enum PlotError {
    /// A parameter lies outside its allowed range.
    #[error("{parameter} is {value}, allowed: {allowed}")]
    OutOfRange {
        /// What was wrong, for example `x range`.
        parameter: String,
        /// The value found.
        value: String,
        /// What would be accepted.
        allowed: &'static str,
    },
    /// The drawing library or the PNG encoder failed.
    #[error("drawing failed: {0}")]
    Drawing(String),
}

/// Size of the drawing in CSS pixels, each side 240 to 2400.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Size {
    /// Width, px.
    pub width: u32,
    /// Height, px.
    pub height: u32,
}

impl Default for Size {
    fn default() -> Self {
        Self { width: 960, height: 540 }
    }
}

/// A plot area on the drawing, with what its sides stand for: enough to read a place in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// Title of the chart; may be empty.
    pub title: String,
    /// Left edge, px from the left of the drawing.
    pub left: f64,
    /// Upper edge, px from the top.
    pub top: f64,
    /// Right edge, px from the left.
    pub right: f64,
    /// Lower edge, px from the top.
    pub bottom: f64,
    /// Horizontal axis.
    pub x: Ruler,
    /// Vertical axis.
    pub y: Ruler,
}

/// Where the names of the series stand. Names of [`Style::Line`] may stand at the line ends; all
/// others stand in the legend below the plot area.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Legend {
    /// All names below the plot area.
    #[default]
    Below,
    /// Up to eight lines are named at their right ends, the rest below. With more lines as `Below`.
    LineEnds,
    /// All names below, up to eight lines named at their ends as well.
    Both,
}

/// A reference line across the whole plot area, its label outside the plot area. Not drawn
/// outside a fixed range.
#[derive(Clone, Debug, PartialEq)]
pub enum Mark {
    /// A line at one y value, label at the right.
    Horizontal {
        /// Position on the y axis, in its unit.
        at: f64,
        /// Label; may be empty.
        label: String,
    },
    /// A line at one x value, label above.
    Vertical {
        /// Position on the x axis, in its unit.
        at: f64,
        /// Label; may be empty.
        label: String,
    },
}

impl Mark {
    /// A horizontal reference line, for example a limit.
    pub fn horizontal(at: f64, label: impl Into<String>) -> Self {
        let label = label.into();
        Self::Horizontal { at, label }
    }

    /// A vertical reference line, for example an instant or a band edge.
    pub fn vertical(at: f64, label: impl Into<String>) -> Self {
        let label = label.into();
        Self::Vertical { at, label }
    }
}

/// One chart: two axes, any number of series and marks.
///
/// Points that the axes cannot show (non-finite, beyond 1e150, not positive on a logarithmic axis, keys beyond 1000)
/// are dropped; a line has a gap there. Without a drawable point the chart says "no data". Points
/// outside a fixed range are clipped at the frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// Title; may be empty.
    pub title: String,
    /// A remark under the title: conditions, source, level. May be empty.
    pub note: String,
    /// Horizontal axis.
    pub x: Axis,
    /// Vertical axis.
    pub y: Axis,
    /// Drawn in this order, bands beneath all others.
    pub series: Vec<Series>,
    /// Reference lines.
    pub marks: Vec<Mark>,
    /// Where the names stand.
    pub legend: Legend,
}

impl Chart {
    /// An empty chart.
    pub fn new(title: impl Into<String>, x: Axis, y: Axis) -> Self {
        Self {
            title: title.into(),
            note: String::new(),
            x,
            y,
            series: Vec::new(),
            marks: Vec::new(),
            legend: Legend::Below,
        }
    }

    /// Sets the remark under the title.
    pub fn note(mut self, note: impl Into<String>) -> Self {
        self.note = note.into();
        self
    }

    /// Adds a series.
    pub fn with(mut self, series: Series) -> Self {
        self.series.push(series);
        self
    }

    /// Adds a reference line.
    pub fn mark(mut self, mark: Mark) -> Self {
        self.marks.push(mark);
        self
    }

    /// Chooses where the names stand.
    pub fn legend(mut self, legend: Legend) -> Self {
        self.legend = legend;
        self
    }

    /// Draws the chart as SVG text with `<title>` and `<desc>`. Equal charts give equal text.
    ///
    /// # Errors
    ///
    /// [`PlotError::OutOfRange`] for a side outside 240 to 2400 px, a chart too small for its texts,
    /// a fixed range that is not ascending, non-finite, beyond 1e150 or not positive on a logarithmic
    /// axis, a thickness or
    /// marker size outside 0.25 to 40 px, or a band whose edges differ in length; [`PlotError::Drawing`] when a backend fails.
    pub fn to_svg(&self, size: Size) -> Result<String, PlotError> {
        layout::Page::of_chart(self).to_svg(size)
    }

    /// Draws the chart as the bytes of a PNG file, twice as many pixels each way as `size`.
    ///
    /// # Errors
    ///
    /// As [`Chart::to_svg`].
    pub fn to_png(&self, size: Size) -> Result<Vec<u8>, PlotError> {
        layout::Page::of_chart(self).to_png(size)
    }

    /// Where the plot area stands in a drawing of this size.
    ///
    /// # Errors
    ///
    /// As [`Chart::to_svg`].
    pub fn frames(&self, size: Size) -> Result<Vec<Frame>, PlotError> {
        layout::Page::of_chart(self).frames(size)
    }
}

/// Several charts stacked, their plot areas aligned left and right.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sheet {
    /// Title of the sheet; may be empty.
    pub title: String,
    /// A remark under the title; may be empty.
    pub note: String,
    /// The charts from top to bottom, each with its share of the height (finite, above 0).
    pub charts: Vec<(Chart, f64)>,
}

impl Sheet {
    /// An empty sheet.
    pub fn new(title: impl Into<String>) -> Self {
        let title = title.into();
        Self { title, ..Self::default() }
    }

    /// Adds a chart below the others; `share` is its height relative to the others.
    pub fn with(mut self, chart: Chart, share: f64) -> Self {
        self.charts.push((chart, share));
        self
    }

    /// Draws the sheet as SVG text.
    ///
    /// # Errors
    ///
    /// As [`Chart::to_svg`], and [`PlotError::OutOfRange`] for a share that is not finite and above 0.
    pub fn to_svg(&self, size: Size) -> Result<String, PlotError> {
        layout::Page::of_sheet(self)?.to_svg(size)
    }

    /// Draws the sheet as the bytes of a PNG file, twice as many pixels each way as `size`.
    ///
    /// # Errors
    ///
    /// As [`Sheet::to_svg`].
    pub fn to_png(&self, size: Size) -> Result<Vec<u8>, PlotError> {
        layout::Page::of_sheet(self)?.to_png(size)
    }

    /// Where the plot areas stand in a drawing of this size, from top to bottom.
    ///
    /// # Errors
    ///
    /// As [`Sheet::to_svg`].
    pub fn frames(&self, size: Size) -> Result<Vec<Frame>, PlotError> {
        layout::Page::of_sheet(self)?.frames(size)
    }
}
