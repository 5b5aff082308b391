//! The plots of a report, from results and from renders of the modules that they name.

pub(crate) mod control;
pub(crate) mod filter;
mod sound;
pub(crate) mod voice;

use plumbtone::Results;
use plumbtone_plot::{Chart, Frame, PlotError, Sheet, Size};
use rayon::prelude::*;

use crate::Error;
pub(crate) use sound::Scene;

/// A plot in both formats.
pub struct Plot {
    /// File name without ending.
    pub name: String,
    /// Title as drawn.
    pub title: String,
    /// What the plot shows, for readers who cannot see it.
    pub alt: String,
    /// The module it is about; none where it compares several.
    pub subject: Option<String>,
    /// Plot areas, to read values from.
    pub frames: Vec<Frame>,
    /// Size of the drawing, px.
    pub size: Size,
    /// The drawing as SVG.
    pub svg: String,
    /// The drawing as PNG, twice as many pixels each way.
    pub png: Vec<u8>,
}

/// A plot before it is drawn.
struct Draft {
    name: String,
    alt: String,
    subject: Option<String>,
    drawing: Drawing,
    size: Size,
}

enum Drawing {
    Chart(Chart),
    Sheet(Sheet),
}

impl Draft {
    fn chart(name: impl Into<String>, alt: impl Into<String>, chart: Chart) -> Self {
        Self {
            name: name.into(),
            alt: alt.into(),
            subject: None,
            drawing: Drawing::Chart(chart),
            size: Size::default(),
        }
    }

    fn sheet(name: impl Into<String>, alt: impl Into<String>, sheet: Sheet) -> Self {
        Self {
            name: name.into(),
            alt: alt.into(),
            subject: None,
            drawing: Drawing::Sheet(sheet),
            size: Size::default(),
        }
    }

    /// Says which module the drawing is about.
    fn of(self, subject: &str) -> Self {
        Self { subject: Some(subject.to_owned()), ..self }
    }

    /// Gives the drawing another height, px.
    fn height(self, height: u32) -> Self {
        Self { size: Size { height, ..self.size }, ..self }
    }

    fn draw(self) -> Result<Plot, Error> {
        let Self { name, alt, subject, drawing, size } = self;
        let drawn: Result<_, PlotError> = match &drawing {
            Drawing::Chart(c) => {
                c.to_svg(size).and_then(|svg| Ok((&c.title, svg, c.to_png(size)?, c.frames(size)?)))
            }
            Drawing::Sheet(s) => {
                s.to_svg(size).and_then(|svg| Ok((&s.title, svg, s.to_png(size)?, s.frames(size)?)))
            }
        };
        let (title, svg, png, frames) =
            drawn.map_err(|source| Error::Plot { chart: name.clone(), source })?;
        Ok(Plot { title: title.clone(), name, alt, subject, frames, size, svg, png })
    }
}

/// Draws every plot that the results give reason for: pitch, aliases, rounding noise, residual,
/// spectra; then contours, glide, low-frequency oscillators and control laws; then filters; then the whole
/// voice and its output. Modules that are not from the voice crate are left out.
///
/// # Errors
/// A module that refuses its note or its settings, or a drawing that fails.
pub fn plots(results: &Results) -> Result<Vec<Plot>, Error> {
    let mut drafts = sound::drafts(results)?;
    drafts.extend(control::drafts(results)?);
    drafts.extend(filter::drafts(results)?);
    drafts.extend(voice::drafts(results)?);
    drafts.into_par_iter().map(Draft::draw).collect()
}
