//! Laws and followers of control codes.

use std::time::Instant;

use plumbtone_measure::db;
use plumbtone_measure::difference::Difference;
use plumbtone_measure::law::Law;
use plumbtone_voice::control::Made;

use super::{Bench, clocked, nothing};
use crate::error::Error;
use crate::expect::laws;
use crate::law::CodeLaw;
use crate::results::Kind;
use crate::vibrato;
use crate::worker::{Taken, unreadable};

impl Bench<'_> {
    /// Strongest image of a sine that is updated once per block against theory, in dB.
    fn updated(&mut self, law: &dyn CodeLaw) -> Result<Taken, Error> {
        let Some(sine) = laws::HeldSine::new(self.settings, self.rate_hz)? else {
            return Ok(Err(nothing("an update in every sample has no images")));
        };
        let mut figures = vec![0.0; sine.codes.len()];
        clocked(&mut self.spent.render, || {
            law.read(self.rate_hz, self.settings, &sine.codes, &mut figures)
        })?;
        let clock = Instant::now();
        let strongest = sine.images.iter().map(|image| image.ratio.abs()).fold(0.0, f64::max);
        let read = sine.read(&figures, self.rate_hz).map_err(unreadable);
        let taken = read.and_then(|found| {
            let image = found.strongest().ok_or_else(|| unreadable("no image found"))?;
            let note = format!(
                "{:.2} dB re the control, at {:.0} Hz; all images {:.2} dB",
                image.level.value, image.hz, found.total.value
            );
            // What rounding the control to 16 bits puts into a bin.
            let length = (figures.len() - sine.from) as f64;
            let rounding = 2.0 * (1.0 / 12.0 / length).sqrt() / laws::HeldSine::CODES;
            let doubt = db(1.0 + 2.0 * rounding / strongest) + image.level.uncertainty;
            Ok((image.level.value - db(strongest), doubt, Some(note)))
        });
        self.spent.control += clock.elapsed().as_secs_f64();
        Ok(taken)
    }

    pub(super) fn law(&mut self, law: &dyn CodeLaw) -> Result<(), Error> {
        let module = self.check.module;
        let codes = crate::law::codes(module, self.settings, self.rate_hz)?;
        let mut figures = vec![0.0; codes.len()];
        clocked(&mut self.spent.render, || {
            law.read(self.rate_hz, self.settings, &codes, &mut figures)
        })?;
        if matches!(crate::law::entry(module)?.made, Made::Follower { .. }) {
            if self.wants(Kind::Images) {
                let taken = self.updated(law)?;
                self.enter(Kind::Images, None, taken);
            }
            return self.follower(&codes, &figures);
        }
        let clock = Instant::now();
        let codes = codes.len() as u32;
        let exact = laws::Exact::new(module, self.settings, self.rate_hz)?;
        let level = exact.scale() == laws::Scale::Level;
        let kind = if level { Kind::Rounding } else { Kind::Law };
        let other = if level { Kind::Law } else { Kind::Rounding };
        self.enter(other, None, Err(nothing("the law makes another quantity")));
        let held = (0..codes).find(|&code| exact.held(code)).unwrap_or(codes);
        if self.wants(kind) {
            let (limit, taken) = self.worst_code(&exact, &figures[..held as usize]);
            self.enter(kind, Some(limit), taken);
        }
        if self.wants(Kind::Scale) {
            let taken = scale(&exact, &figures[..held as usize]);
            self.enter(Kind::Scale, None, taken);
        }
        if self.wants(Kind::Depth) {
            let taken = self.depth(&exact, &figures)?;
            self.enter(Kind::Depth, None, taken);
        }
        self.spent.control += clock.elapsed().as_secs_f64();
        Ok(())
    }

    /// A module with memory against its closed form, as a fraction of 2^16 codes.
    fn follower(&mut self, codes: &[u32], figures: &[f64]) -> Result<(), Error> {
        let module = self.check.module;
        let exact = clocked(&mut self.spent.theory, || {
            laws::followed(module, self.settings, self.rate_hz, codes)
        })?;
        let bound = laws::followed_bound(module, self.settings, self.rate_hz, self.twin)?;
        let taken = Difference::of(figures, &exact).map_err(unreadable).map(|apart| {
            let note = format!("{:.2e} codes at sample {}", apart.peak, apart.worst_index);
            (apart.peak / laws::FULL_CODES, 0.0, Some(note))
        });
        self.enter(Kind::Rounding, Some(bound), taken);
        Ok(())
    }

    /// The code that comes closest to its bound, or exceeds it most: its bound and its error.
    fn worst_code(&self, exact: &laws::Exact, figures: &[f64]) -> (f64, Taken) {
        let mut worst: Option<(f64, f64, u32)> = None;
        for (code, &figure) in (0..).zip(figures) {
            let error = exact.error(figure, code);
            if !error.is_finite() {
                return (0.0, Err(unreadable(format!("code {code} gives {figure}"))));
            }
            let bound = exact.bound(self.twin, code);
            if worst.is_none_or(|(most, limit, _)| error.abs() / bound > most.abs() / limit) {
                worst = Some((error, bound, code));
            }
        }
        let Some((error, bound, code)) = worst else {
            return (0.0, Err(nothing("no code sounds below half the sample rate")));
        };
        let mut note = format!("code {code} of {}", figures.len());
        if let Some([converter, fit, accumulator]) = exact.parts(code) {
            note += &format!(
                "; half a code {converter:.2e}, fit {fit:.2e}, accumulator {accumulator:.2e} cents"
            );
        }
        (bound, Ok((error, 0.0, Some(note))))
    }

    /// Deviation in percent of the depth that a sine really gives a pitch: that of the figure at
    /// full travel.
    fn depth(&mut self, exact: &laws::Exact, figures: &[f64]) -> Result<Taken, Error> {
        if exact.scale() != laws::Scale::Octaves {
            return Ok(Err(nothing("the law makes no pitch")));
        }
        let last = figures.len() - 1;
        let (asked, got) = (exact.at(last as u32), figures[last]);
        if asked == 0.0 {
            return Ok(Err(nothing("a depth of 0")));
        }
        if asked > vibrato::MOST_OCTAVES {
            return Ok(Err(nothing("deeper than can be demodulated")));
        }
        let read = vibrato::demodulated(self.twin, got, self.rate_hz)?;
        Ok(read.map_err(unreadable).map(|depth| {
            let note = format!("{:.4} cents", 1200.0 * depth.value);
            let doubt = 100.0 * depth.uncertainty / asked;
            (100.0 * (depth.value / asked - 1.0), doubt, Some(note))
        }))
    }
}

/// Cents per octave that a straight line through every code lacks or has too many.
fn scale(exact: &laws::Exact, figures: &[f64]) -> Taken {
    let mut octaves = Vec::with_capacity(figures.len());
    let mut cents = Vec::with_capacity(figures.len());
    for (code, &figure) in (0..).zip(figures) {
        octaves.push(exact.octaves(code).ok_or_else(|| nothing("the law makes no pitch"))?);
        cents.push(exact.error(figure, code));
    }
    // A knob may turn the other way.
    if octaves.first() > octaves.last() {
        octaves.reverse();
        cents.reverse();
    }
    let law = Law::of_errors(&octaves, &cents).map_err(unreadable)?;
    let (scale, offset) = (law.error.scale, law.error.offset);
    let note = format!(
        "offset {:.1e} cents at A4, curvature {:.1e}; {} steps still or backward",
        offset.value,
        law.error.curvature.value,
        law.steps.still + law.steps.backward
    );
    Ok((scale.value, scale.uncertainty, Some(note)))
}
