//! Plots of filters: responses and their errors, tracking, resonance, rounding noise, and what the
//! ladder of tanh does where it bends.
//!
//! One set for every filter and sample rate of the results. Cutoff and all but the resonance come
//! from the settings measured nearest to 1 kHz; the resonance is what most plots vary.

use std::f64::consts::TAU;

use plumbtone::expect::filters::Expected;
use plumbtone::filter::FilterTwin;
use plumbtone::measure::coherent::{Coherent, Tone};
use plumbtone::measure::level::Level;
use plumbtone::measure::psd::{Density, Psd};
use plumbtone::measure::steady::Steady;
use plumbtone::measure::{db, power_db, self_oscillation};
use plumbtone::subject::VoiceTwin;
use plumbtone::theory::evaluation::{Algorithm, NO_PUSHES};
use plumbtone::theory::ladder::{DelayedLadder, mixes};
use plumbtone::theory::tuning::key_hz;
use plumbtone::theory::{Complex64, tables};
use plumbtone::voice::filters::{CUTOFF, ENTRIES, RESONANCE, ladder_tanh};
use plumbtone::voice::{FilterEntry, Rate, Resonance, Shape, Tuning};
use plumbtone::{
    Error as BenchError, FilterSubject, Passage, Results, Settings, Stimulus, Subject, Twin,
};
use plumbtone_plot::{
    Axis, Chart, Dash, Ink, Line, Mark, Marker, Series, Shape as Outline, Sheet, Style,
};
use rayon::prelude::*;

use super::Draft;
use super::control::{capital, parsed, thin};
use crate::Error;

/// Cutoff of the settings that are drawn, or the nearest there is, Hz.
const MIDDLE_HZ: f64 = 1_000.0;
/// Lowest frequency shown, Hz; with a low cutoff, what share of it.
const LOWEST_HZ: f64 = 20.0;
const LOWEST_RATIO: f64 = 0.1;
/// Highest frequency shown, cycles per sample.
const HIGHEST: f64 = 0.49;
/// Gain below which nothing is shown, dB.
const DEEPEST_DB: f64 = -80.0;
/// The same for errors of a curved filter, whose small input leaves less above its rounding.
const CURVED_DEEPEST_DB: f64 = -40.0;
/// What an exact evaluation has to keep, dB.
const TARGET_DB: f64 = 0.001;
/// Least and largest size of an error shown, dB.
const LEAST_DB: f64 = 1e-8;
const MOST_DB: f64 = 200.0;
/// Resonances of a family of ladders, 1 = self-oscillation.
const RESONANCES: [f64; 6] = [0.0, 0.25, 0.5, 0.75, 0.9, 0.98];
/// Q of a family of state-variable filters.
const QUALITIES: [f64; 6] = [0.5, std::f64::consts::FRAC_1_SQRT_2, 1.0, 2.0, 5.0, 20.0];
/// Height of what goes into a linear filter: the twins take quarters exactly.
const HEIGHT: f64 = 0.25;
/// Height of what goes into a curved one, re the bend, where only its slope is asked for.
const SMALL: f64 = 1e-3;
/// Peak of an output that clips nowhere.
const CALM: f64 = 0.5;
/// Longest and shortest settling, samples.
const LONGEST: f64 = 524_288.0;
const SHORTEST: f64 = 4_096.0;
/// Points of a closed form; a peak of Q 100 is a hundredth wide.
const FINE: usize = 1_600;
/// Columns of a curve of errors.
const COLUMNS: usize = 240;
/// Markers of a measured curve.
const MARKED: usize = 24;
/// Heights of sheets of two and of three charts, px.
const TALL: u32 = 860;
const TALLER: u32 = 1_000;
/// Markers and inks of a family.
const FAMILY: [(Marker, Ink); 6] = [
    (Marker::open(Outline::Circle), Ink::Blue),
    (Marker::open(Outline::Square), Ink::Rust),
    (Marker::open(Outline::Triangle), Ink::Green),
    (Marker::open(Outline::Cross), Ink::Violet),
    (Marker::filled(Outline::Circle), Ink::Ochre),
    (Marker::open(Outline::Plus), Ink::Plum),
];

/// The plots of filters that the results give reason for.
pub(super) fn drafts(results: &Results) -> Result<Vec<Draft>, Error> {
    let shown = Shown::all(results)?;
    let drafts: Result<Vec<_>, Error> = shown.par_iter().map(Shown::drafts).collect();
    Ok(drafts?.into_iter().flatten().collect())
}

/// A filter of the results at one rate, under the settings that are drawn.
pub(crate) struct Shown {
    entry: &'static FilterEntry,
    pub rate_hz: u32,
    settings: Settings,
    cutoff_hz: f64,
    expected: Expected,
}

/// One member of a family: what it is called and its resonance.
struct Member {
    name: String,
    resonance: f64,
}

/// The gain at a frequency in Hz without the latency, measured and by the closed form.
struct Gain {
    hz: f64,
    got: Complex64,
    closed: Complex64,
}

impl Shown {
    /// Every filter and rate of which the results hold a twin.
    pub fn all(results: &Results) -> Result<Vec<Self>, BenchError> {
        let mut shown = Vec::new();
        for entry in ENTRIES {
            let own = || {
                let own = results.findings.iter().filter(|f| f.subject == entry.name);
                own.filter(|finding| finding.twin.is_some())
            };
            let mut rates: Vec<u32> = own().map(|finding| finding.rate_hz).collect();
            rates.sort_unstable();
            rates.dedup();
            for rate_hz in rates {
                let findings = own().filter(|finding| finding.rate_hz == rate_hz);
                let texts = findings.flat_map(|f| &f.cases).filter_map(|c| c.setting.as_deref());
                let mut nearest: Option<(f64, Self)> = None;
                for text in texts {
                    let found = Self::new(entry, rate_hz, parsed(entry.name, text)?)?;
                    let apart = (found.cutoff_hz / MIDDLE_HZ).ln().abs();
                    if nearest.as_ref().is_none_or(|(least, _)| apart < *least) {
                        nearest = Some((apart, found));
                    }
                }
                shown.extend(nearest.map(|(_, found)| found));
            }
        }
        Ok(shown)
    }

    fn new(
        entry: &'static FilterEntry,
        rate_hz: u32,
        settings: Settings,
    ) -> Result<Self, BenchError> {
        let cutoff_hz = settings.value(&CUTOFF)?;
        let expected = Expected::new(entry.name, &settings)?;
        Ok(Self { entry, rate_hz, settings, cutoff_hz, expected })
    }

    /// The same filter under other settings.
    pub fn with(&self, text: &str) -> Result<Self, BenchError> {
        Self::new(self.entry, self.rate_hz, Settings::parse(self.entry.name, text)?)
    }

    pub fn module(&self) -> &'static str {
        self.entry.name
    }

    fn fs(&self) -> f64 {
        f64::from(self.rate_hz)
    }

    fn algorithm(&self) -> &Algorithm {
        self.expected.algorithm()
    }

    /// Factor from sample to the unit of the bend, of a curved filter.
    pub fn drive(&self) -> Option<f64> {
        match self.algorithm() {
            Algorithm::TanhLadder { drive, .. } => Some(*drive),
            _ => None,
        }
    }

    /// Height of white noise that shows the slope of the filter: of a curved one nothing of its
    /// bends, of a linear one nothing of the full scale, at which fixed twins clip and float twins
    /// do not.
    fn height(&self, tuning: Tuning, noise: &[f64]) -> Result<f64, BenchError> {
        if let Some(drive) = self.drive() {
            return Ok(SMALL / drive);
        }
        let input = noise.iter().map(|x| HEIGHT * x).collect();
        let out = self.render(Twin::Float, input, vec![(0, tuning)])?;
        let peak = out.iter().fold(0.0_f64, |most, y| most.max(y.abs()));
        // Powers of two, which both twins take exactly.
        let halvings = (peak / CALM).log2().ceil().max(0.0);
        Ok(HEIGHT * (-halvings).exp2())
    }

    pub fn tuning(&self, cutoff_hz: f64, resonance: f64) -> Result<Tuning, BenchError> {
        let cutoff = Rate::new(self.rate_hz)?.increment(cutoff_hz)?;
        Ok(Tuning { cutoff, resonance: Resonance::new(resonance)? })
    }

    /// Cutoff in cycles per sample and resonance, as the module takes them.
    fn figures(&self, tuning: &Tuning) -> (f64, f64) {
        self.expected.held(tuning, self.rate_hz)
    }

    /// What a twin makes of a sound under tunings that hold from a sample on.
    pub fn render(
        &self,
        twin: Twin,
        input: Vec<f64>,
        tunings: Vec<(usize, Tuning)>,
    ) -> Result<Vec<f64>, BenchError> {
        let mut out = vec![0.0; input.len()];
        let settings = self.settings.clone();
        let passage = Passage { rate_hz: self.rate_hz, settings, input, tunings };
        FilterTwin::named(self.entry.name, twin)?.render(&passage, &mut out)?;
        Ok(out)
    }

    /// White noise from -1 to 1, the same at every call.
    fn noise(&self, count: usize) -> Result<Vec<f64>, BenchError> {
        let mut noise = vec![0.0; count];
        let hiss = VoiceTwin::named("white", Twin::Float)?;
        hiss.render(&Stimulus::note(Shape::Sine, 440.0, self.rate_hz), &mut noise)?;
        noise.iter_mut().for_each(|x| *x *= 2.0);
        Ok(noise)
    }

    /// Samples after which nothing is left of a start: 40 nepers of the slowest pole; none where
    /// that takes too long or for ever. Per radian of the cutoff a pole alone loses one neper, that
    /// of a state-variable filter `1 - r`, and that of a ladder `1 - r^(1/4)`, at least `(1 - r)/4`,
    /// r re its edge.
    fn settling(&self, (cutoff, resonance): (f64, f64)) -> Option<usize> {
        let nepers = match self.algorithm() {
            Algorithm::OnePole { .. } | Algorithm::DcBlocker => 1.0,
            Algorithm::StateVariable { .. } | Algorithm::TwoIntegratorLoop { .. } => {
                1.0 - resonance
            }
            _ => 0.25 * (1.0 - resonance / self.edge(cutoff).map_or(1.0, |(edge, _)| edge)),
        };
        // Near half the rate poles alternate, which no radian of the cutoff tells.
        let samples = (40.0 / (TAU * cutoff * nepers)).max(SHORTEST);
        let settles = nepers > 0.0 && samples < LONGEST;
        (settles && self.dies(cutoff, resonance, samples as usize)).then_some(samples as usize)
    }

    /// Whether the response of the published algorithm dies within so many samples. The polynomials
    /// of the compensated ladder leave their range at high cutoffs, where it may run away below
    /// the edge.
    fn dies(&self, cutoff: f64, resonance: f64, samples: usize) -> bool {
        if self.drive().is_some() {
            return true;
        }
        let coefficients = self.algorithm().coefficients(cutoff, resonance);
        let mut filter = self.algorithm().start();
        let mut peaks = [0.0_f64; 2];
        for n in 0..samples {
            let input = if n == 0 { 1.0 } else { 0.0 };
            let out = filter.step(input, &coefficients, &NO_PUSHES).abs();
            let late = usize::from(8 * n > 7 * samples);
            // A maximum would lose what is no number.
            peaks[late] = if out <= peaks[late] { peaks[late] } else { out };
        }
        peaks[1] < 1e-6 * peaks[0]
    }

    /// The response of a twin in its steady state; none where that is too far off.
    fn steady(&self, twin: Twin, tuning: Tuning) -> Result<Option<Steady>, BenchError> {
        let count = (8.0 * self.fs() / self.lowest_hz()) as usize;
        let count = count.next_power_of_two().clamp(1 << 14, 1 << 17);
        let Some(settle) = self.settling(self.figures(&tuning)) else { return Ok(None) };
        let settle = settle.div_ceil(count).max(1);
        let mut period = self.noise(count)?;
        let height = self.height(tuning, &period.repeat(settle + 1))?;
        period.iter_mut().for_each(|x| *x *= height);
        let out = self.render(twin, period.repeat(settle + 1), vec![(0, tuning)])?;
        Ok(Steady::new(&period, &out[settle * count..], self.fs()).ok())
    }

    fn lowest_hz(&self) -> f64 {
        LOWEST_HZ.min(LOWEST_RATIO * self.cutoff_hz)
    }

    fn frequency(&self) -> Axis {
        Axis::log10("Frequency", "Hz").range(self.lowest_hz(), 0.5 * self.fs())
    }

    /// Frequencies in Hz, evenly spread in pitch, shifted by a part of their distance.
    fn spread(&self, count: usize, shift: f64) -> impl Iterator<Item = f64> + use<> {
        spread(self.lowest_hz(), HIGHEST * self.fs(), count, shift)
    }

    fn closed(&self, hz: f64, (cutoff, resonance): (f64, f64)) -> Complex64 {
        self.algorithm().response(hz / self.fs(), cutoff, resonance)
    }

    /// The gain next to every frequency, at the line that the input fills best.
    fn gains(
        &self,
        steady: &Steady,
        figures: (f64, f64),
        frequencies: &[f64],
    ) -> Result<Vec<Gain>, BenchError> {
        let latency = self.settings.lend(|values| (self.entry.latency_samples)(values))?;
        // As far as half the distance to the next frequency, but a thousandth at most.
        let reach = |hz: f64| {
            let next = frequencies.iter().find(|next| **next > hz).map_or(1e-3, |x| x / hz - 1.0);
            hz * (0.5 * next).min(1e-3)
        };
        let mut gains: Vec<Gain> = Vec::new();
        for &wanted in frequencies {
            let (low, high) = (wanted - reach(wanted), wanted + reach(wanted));
            let lines = steady.nearest(low).max(1)..=steady.nearest(high);
            let best = lines.min_by(|a, b| steady.doubt(*a).total_cmp(&steady.doubt(*b)));
            let line = best.unwrap_or_else(|| steady.nearest(wanted));
            let hz = steady.hz(line);
            if gains.last().is_some_and(|before| before.hz >= hz) {
                continue;
            }
            let turn = Complex64::from_polar(1.0, TAU * (hz / self.fs() * latency).fract());
            let closed = self.closed(hz, figures);
            gains.push(Gain { hz, got: steady.gain(line) * turn, closed });
        }
        Ok(gains)
    }

    /// What is varied in a family, as far as it can be measured.
    fn family(&self) -> Result<Vec<Member>, BenchError> {
        let all: Vec<Member> = match self.algorithm() {
            Algorithm::OnePole { .. } | Algorithm::DcBlocker => {
                vec![Member { name: "fixed twin".to_owned(), resonance: 0.0 }]
            }
            Algorithm::StateVariable { .. } | Algorithm::TwoIntegratorLoop { .. } => QUALITIES
                .iter()
                .map(|q| Member { name: format!("Q {}", short(*q)), resonance: 1.0 - 0.5 / q })
                .collect(),
            _ => RESONANCES
                .iter()
                .map(|&resonance| Member { name: format!("resonance {resonance}"), resonance })
                .collect(),
        };
        let mut family = Vec::new();
        for member in all {
            let tuning = self.tuning(self.cutoff_hz, member.resonance)?;
            if self.settling(self.figures(&tuning)).is_some() {
                family.push(member);
            }
        }
        Ok(family)
    }

    fn resonates(&self) -> bool {
        !matches!(self.algorithm(), Algorithm::OnePole { .. } | Algorithm::DcBlocker)
    }

    fn sheet(&self, what: &str, note: &str) -> Sheet {
        let mut sheet = Sheet::new(format!("{what}: {}", self.entry.name));
        sheet.note = self.note(note);
        sheet
    }

    /// The settings drawn, the cutoff first and without the resonance, which varies.
    fn note(&self, note: &str) -> String {
        let text = self.settings.to_string();
        let others = text.split_whitespace().filter(|word| {
            word.contains('=') && !word.starts_with("cutoff=") && !word.starts_with("resonance=")
        });
        let mut words = vec![format!("cutoff {} Hz", short(self.cutoff_hz))];
        words.extend(others.map(str::to_owned));
        words.extend((!note.is_empty()).then(|| note.to_owned()));
        words.push(format!("rate {} kHz", crate::khz(self.rate_hz)));
        words.join("; ")
    }

    fn name(&self, what: &str) -> String {
        format!("{what}-{}-{}", self.entry.name, self.rate_hz)
    }

    fn drafts(&self) -> Result<Vec<Draft>, Error> {
        let mut drafts = self.responses()?;
        if self.resonates() {
            drafts.extend(self.waterfall()?);
        }
        drafts.extend(self.tracking()?);
        drafts.extend(self.noise_spectrum()?);
        drafts.extend(self.self_oscillation()?);
        drafts.extend(self.driven()?);
        Ok(drafts.into_iter().map(|draft| draft.of(self.module())).collect())
    }

    /// Magnitude and phase of a family, and below the errors of its ends.
    fn responses(&self) -> Result<Vec<Draft>, Error> {
        let db_axis = || Axis::linear("Gain", "dB");
        let mut magnitude = Chart::new("Magnitude", self.frequency(), db_axis());
        let mut phase = Chart::new("Phase", self.frequency(), Axis::linear("Phase", "degrees"));
        let family = self.family()?;
        let Some(last) = family.len().checked_sub(1) else { return Ok(Vec::new()) };
        let small = match self.drive() {
            Some(_) => format!("under noise, peak {SMALL} of the bend"),
            None => format!("under noise, peak {HEIGHT} or what does not clip"),
        };
        let deepest = self.drive().map_or(DEEPEST_DB, |_| CURVED_DEEPEST_DB);
        let what = format!("gains above {deepest} dB, {small}");
        let mut errors = self.sheet("Error of the response", &what);
        let mut worst: Vec<String> = Vec::new();
        let line = || thin(Dash::Solid, 1.0);
        let fine: Vec<f64> = self.spread(FINE, 0.0).collect();
        let columns: Vec<f64> = self.spread(COLUMNS, 0.0).collect();
        let mut names = Vec::new();
        for (index, (member, (marker, ink))) in family.iter().zip(FAMILY).enumerate() {
            let tuning = self.tuning(self.cutoff_hz, member.resonance)?;
            let figures = self.figures(&tuning);
            let Some(fixed) = self.steady(Twin::Fixed, tuning)? else { continue };
            let closed: Vec<(f64, Complex64)> =
                fine.iter().map(|&hz| (hz, self.closed(hz, figures))).collect();
            let seen = |gain: &Complex64| db(gain.norm()) > DEEPEST_DB;
            let turned = unwrapped(&closed);
            let named = |name: &str| if index == 0 { name.to_owned() } else { String::new() };
            let levels = |gains: &[(f64, Complex64)]| -> Vec<(f64, f64)> {
                let level = |(hz, gain): &(f64, Complex64)| (*hz, db(gain.norm()));
                gains.iter().filter(|(_, gain)| seen(gain)).map(level).collect()
            };
            let series = |name: String, points| Series::new(name, points, line()).ink(Ink::Black);
            magnitude = magnitude.with(series(named("closed form"), levels(&closed)));
            let angles = turned.iter().zip(&closed).filter(|(_, (_, gain))| seen(gain));
            let angles: Vec<(f64, f64)> = angles.map(|(angle, (hz, _))| (*hz, *angle)).collect();
            phase = phase.with(series(String::new(), angles));

            // Staggered, so that the markers of curves that coincide stand side by side.
            let shift = index as f64 / family.len() as f64;
            let mut places: Vec<f64> = self.spread(MARKED, shift).collect();
            // One on the very top, which narrow peaks would hide between two markers.
            let top = closed.iter().max_by(|a, b| a.1.norm().total_cmp(&b.1.norm()));
            places.extend(top.map(|(hz, _)| *hz));
            places.sort_by(f64::total_cmp);
            let gains = self.gains(&fixed, figures, &places)?;
            let gains: Vec<&Gain> = gains.iter().filter(|gain| seen(&gain.closed)).collect();
            let points = gains.iter().map(|gain| (gain.hz, db(gain.got.norm()))).collect();
            let name = member.name.clone();
            magnitude = magnitude.with(Series::markers(name, points, marker).ink(ink));
            let near = |hz: f64| fine.partition_point(|x| *x < hz).min(fine.len() - 1);
            let points = gains
                .iter()
                .map(|gain| {
                    // Whole turns as the closed form nearby has them.
                    let (hz, closed) = closed[near(gain.hz)];
                    let apart = (gain.got / closed).arg().to_degrees();
                    (gain.hz, turned[near(hz)] + apart)
                })
                .collect();
            phase = phase.with(Series::markers("", points, marker).ink(ink));
            names.push(member.name.as_str());

            if index == 0 || index == last {
                let float = self.steady(Twin::Float, tuning)?;
                let mut sizes = Vec::new();
                for (twin, steady) in [(Twin::Float, float.as_ref()), (Twin::Fixed, Some(&fixed))] {
                    let Some(steady) = steady else { continue };
                    let gains = self.gains(steady, figures, &columns)?;
                    let seen = |gain: &&Gain| db(gain.closed.norm()) > deepest;
                    let gains = gains.iter().filter(seen);
                    // A twin that is silent or no number has no level, and must not pass for good.
                    let size = |gain: &Gain| {
                        (gain.hz, db((gain.got / gain.closed).norm()).abs().min(MOST_DB))
                    };
                    let points: Vec<(f64, f64)> = gains.map(size).collect();
                    if let Some(most) = points.iter().map(|(_, size)| *size).reduce(f64::max) {
                        let what = if family.len() > 1 { &member.name } else { "response" };
                        worst.push(format!("{} {what} {most:.1e} dB", twin.name()));
                    }
                    sizes.push((twin, points));
                }
                let title = if family.len() > 1 { capital(&member.name) } else { String::new() };
                errors = errors.with(self.error_chart(title, sizes), 1.0);
            }
        }
        let mut sheet = self.sheet("Response and closed form", "markers: fixed twin, measured");
        sheet = sheet.with(magnitude, 1.25).with(phase, 1.0);
        let alt = format!(
            "Gain and phase of {} against frequency at a cutoff of {} Hz, {}: the fixed twin as \
             measured on the lines of the closed form.",
            self.entry.name,
            short(self.cutoff_hz),
            names.join(", "),
        );
        let mut drafts = vec![Draft::sheet(self.name("response"), alt, sheet).height(TALL)];
        let alt = format!(
            "Size of the deviation of the float and the fixed twin of {} from the closed form \
             against frequency, with a band up to the target of {TARGET_DB} dB; largest: {}.",
            self.entry.name,
            worst.join(", "),
        );
        let draft = Draft::sheet(self.name("response-error"), alt, errors);
        drafts.push(if family.len() > 1 { draft.height(TALL) } else { draft });
        Ok(drafts)
    }

    /// Sizes of errors of both twins over the band up to the target.
    fn error_chart(&self, title: String, sizes: Vec<(Twin, Vec<(f64, f64)>)>) -> Chart {
        let all = sizes.iter().flat_map(|(_, points)| points).map(|(_, size)| *size);
        let most = all.fold(TARGET_DB, f64::max);
        let edges = [self.lowest_hz(), 0.5 * self.fs()].map(|hz| (hz, LEAST_DB, TARGET_DB));
        let within = format!("within {TARGET_DB} dB");
        let size = Axis::log10("Size", "dB").range(LEAST_DB, 2.0 * most);
        let mut chart =
            Chart::new(title, self.frequency(), size).with(Series::band(within, &edges));
        for (twin, points) in sizes {
            let (dash, thickness, ink) = match twin {
                Twin::Float => (Dash::Solid, 0.9, Ink::Sky),
                _ => (Dash::Solid, 2.25, Ink::Rust),
            };
            let name = format!("{} twin", twin.name());
            chart = chart.with(Series::new(name, points, thin(dash, thickness)).ink(ink));
        }
        chart
    }

    /// Gain against frequency, one curve standing on each of many resonances.
    fn waterfall(&self) -> Result<Option<Draft>, Error> {
        const STEPS: u32 = 20;
        /// Decibels that take as much room as one unit of resonance.
        const DB_PER_UNIT: f64 = 100.0;
        /// Where a curve is cut, dB.
        const CUT_DB: f64 = -20.0;
        const PLACES: usize = 500;
        let (low, high) = (self.cutoff_hz / 6.0, (3.0 * self.cutoff_hz).min(HIGHEST * self.fs()));
        let axis = Axis::log10("Frequency", "Hz").range(low, high);
        let label = "Resonance of each curve plus its gain, 0.1 for 10 dB";
        let mut chart = Chart::new("", axis, Axis::linear(label, ""));
        let (mut highest, mut most, mut count) = (f64::NEG_INFINITY, 0.0, 0);
        for step in 0..STEPS {
            let resonance = f64::from(step) / f64::from(STEPS);
            let tuning = self.tuning(self.cutoff_hz, resonance)?;
            let figures = self.figures(&tuning);
            let Some(steady) = self.steady(Twin::Fixed, tuning)? else { continue };
            let seen = |level: f64| level > CUT_DB;
            let at = |level: f64| resonance + level / DB_PER_UNIT;
            let places: Vec<f64> = spread(low, high, PLACES, 0.0).collect();
            let gains = self.gains(&steady, figures, &places)?;
            let levels = gains.iter().map(|gain| (gain.hz, db(gain.got.norm())));
            let points: Vec<(f64, f64)> = levels
                .filter(|(_, level)| seen(*level))
                .map(|(hz, level)| (hz, at(level)))
                .collect();
            let closed = places.iter().map(|&hz| (hz, db(self.closed(hz, figures).norm())));
            let closed: Vec<(f64, f64)> = closed
                .filter(|(_, level)| seen(*level))
                .map(|(hz, level)| (hz, at(level)))
                .collect();
            let top = gains.iter().map(|gain| db(gain.got.norm()));
            highest = top.fold(highest, f64::max);
            let named = |name: &str| if count == 0 { name.to_owned() } else { String::new() };
            let wide = Series::new(named("fixed twin"), points, thin(Dash::Solid, 4.0));
            let line = Series::new(named("closed form"), closed, thin(Dash::Dashed, 1.25));
            chart = chart.with(wide.ink(Ink::Sky)).with(line.ink(Ink::Black));
            count += 1;
            most = resonance;
        }
        if count == 0 {
            return Ok(None);
        }
        let sheet = self.sheet("Gain over frequency and resonance", "curves cut at −20 dB");
        let alt = format!(
            "Gain of the fixed twin of {} against frequency on its closed form, {count} curves \
             one above the other for resonances from 0 to {most}; the highest peak is {highest:.1} dB.",
            self.entry.name
        );
        Ok(Some(Draft::sheet(self.name("waterfall"), alt, sheet.with(chart, 1.0)).height(TALL)))
    }

    /// Where theory has the edge of self-oscillation of a linear loop: resonance and cycles per
    /// sample.
    fn edge(&self, cutoff: f64) -> Option<(f64, f64)> {
        let ladder = match self.algorithm() {
            Algorithm::Ladder { .. } => return Some((1.0, cutoff)),
            Algorithm::NaiveLadder { .. } => DelayedLadder::naive(cutoff),
            Algorithm::DelayedLadder { .. } => DelayedLadder::compensated(cutoff),
            _ => return None,
        }
        .ok()?;
        let edge = ladder.oscillation()?;
        Some((edge.threshold / ladder.feedback(1.0), edge.x))
    }

    /// Cents between the pitch at the edge of self-oscillation and the key, against the key.
    fn tracking(&self) -> Result<Option<Draft>, Error> {
        const EVERY: usize = 4;
        /// Bracket around the edge of the closed form, and what is left of it, relative.
        const REACH: f64 = 2e-3;
        const LEFT: f64 = 1e-6;
        /// Height of a strike times the cycles per sample, and the most of it: the ringing is the
        /// weaker the lower it is, and stays far below every limit.
        const STRIKE: f64 = 3e-4;
        const MOST: f64 = 0.5;
        /// Periods of a ringing; the first third is left out.
        const PERIODS: f64 = 36.0;
        let cents = |x: f64, key: f64| 1200.0 * (x * self.fs() / key_hz(key)).log2();
        let reachable = |key: f64| -> Option<(f64, f64)> {
            let cutoff = key_hz(key) / self.fs();
            self.edge(cutoff).filter(|(r, _)| r * (1.0 + REACH) < RESONANCE.max)
        };
        let closed: Vec<(f64, f64)> = (0..=348)
            .map(|i| 21.0 + f64::from(i) / 4.0)
            .filter_map(|key| Some((key, cents(reachable(key)?.1, key))))
            .collect();
        if closed.is_empty() {
            return Ok(None);
        }
        let measured = |twin: Twin, key: u8| -> Result<Option<(f64, f64)>, BenchError> {
            let key = f64::from(key);
            let Some((resonance, x)) = reachable(key) else { return Ok(None) };
            let count = ((PERIODS / x) as usize).max(2_048);
            let mut input = vec![0.0; count];
            input[0] = (STRIKE / x).min(MOST);
            let mut refused = None;
            let ends = [1.0 - REACH, 1.0 + REACH].map(|part| resonance * part);
            let found = self_oscillation::threshold(ends[0], ends[1], LEFT, |resonance| {
                let rendered = self
                    .tuning(key_hz(key), resonance)
                    .and_then(|tuning| self.render(twin, input.clone(), vec![(0, tuning)]));
                // The instrument takes an empty rendering for one that is too short.
                Ok(rendered.unwrap_or_else(|error| {
                    refused = Some(error);
                    Vec::new()
                }))
            });
            match refused {
                Some(error) => Err(error),
                None => Ok(found.ok().map(|edge| (key, cents(edge.cycles_per_sample, key)))),
            }
        };
        let mut chart = Chart::new(
            format!("Tracking at the edge of self-oscillation: {}", self.entry.name),
            Axis::keys("Key").range(21.0, 108.0),
            Axis::linear("Pitch re key", "cents"),
        )
        .note(format!(
            "cutoff told: the key; resonance where the ringing neither grows nor decays; rate {} kHz",
            crate::khz(self.rate_hz)
        ))
        .with(Series::new("closed form", closed, thin(Dash::Solid, 1.25)).ink(Ink::Black));
        let mut worst = Vec::new();
        for (twin, marker, ink) in [
            (Twin::Float, Marker::open(Outline::Circle).size(11.0), Ink::Blue),
            (Twin::Fixed, Marker::open(Outline::Cross).size(8.0), Ink::Rust),
        ] {
            let keys: Vec<u8> = (21..=108).step_by(EVERY).collect();
            let points: Result<Vec<_>, BenchError> =
                keys.into_par_iter().map(|key| measured(twin, key)).collect();
            let points: Vec<(f64, f64)> = points?.into_iter().flatten().collect();
            let most = points.iter().map(|(_, cents)| *cents);
            if let Some(most) = most.max_by(|a, b| a.abs().total_cmp(&b.abs())) {
                worst.push(format!("{} {most:+.3}", twin.name()));
            }
            chart = chart
                .with(Series::markers(format!("{} twin", twin.name()), points, marker).ink(ink));
        }
        let alt = format!(
            "Cents from key to pitch at the edge of self-oscillation of {} for keys 21 to 108, \
             both twins on the closed form; furthest off: {}.",
            self.entry.name,
            worst.join(", ")
        );
        Ok(Some(Draft::chart(self.name("tracking"), alt, chart)))
    }

    /// Power density of what rounding adds under noise, on its prediction.
    fn noise_spectrum(&self) -> Result<Option<Draft>, Error> {
        const SEGMENT: usize = 1 << 13;
        const LENGTH: usize = 1 << 17;
        const RESONANT: f64 = 0.75;
        // What its bends make of the noise has no closed form.
        if self.drive().is_some() {
            return Ok(None);
        }
        let resonance = if self.resonates() { RESONANT } else { 0.0 };
        let tuning = self.tuning(self.cutoff_hz, resonance)?;
        let figures = self.figures(&tuning);
        let Some(settle) = self.settling(figures) else { return Ok(None) };
        // Off the grid of the inner formats, which are coarser than samples.
        let mut input = self.noise(settle + LENGTH)?;
        input.iter_mut().for_each(|x| *x += 1e-3 * *x * *x);
        let height = self.height(tuning, &input)?;
        input.iter_mut().for_each(|x| *x *= height);
        let rms = height / 3.0_f64.sqrt();
        // Theory refuses what does not decay, and so there is nothing to draw.
        let expected = self.expected.noise(Twin::Fixed, &tuning, self.rate_hz, rms);
        let (Ok(expected), Ok(predicted)) = (expected, self.predicted(&tuning, height, settle))
        else {
            return Ok(None);
        };
        let exact = self.render(Twin::Exact, input.clone(), vec![(0, tuning)])?;
        let slopes = self.slopes(&input, figures, &exact, settle);
        let mut psd = Psd::new(SEGMENT).map_err(BenchError::measuring("rounding noise"))?;
        let (low, high) = (4.0 * self.fs() / SEGMENT as f64, HIGHEST * self.fs());
        let bands = |density: Density<'_>| -> Vec<(f64, f64)> {
            let edges: Vec<f64> = spread(low, high, 121, 0.0).collect();
            let band = |pair: &[f64]| density.band(pair[0], pair[1]).ok();
            let bands = edges.windows(2).filter_map(band);
            bands.filter(|band| band.density > 0.0).map(|b| (b.centre_hz, b.db())).collect()
        };
        let axis = Axis::log10("Frequency", "Hz").range(low, 0.5 * self.fs());
        let mut chart = Chart::new(
            format!("Rounding noise: {}", self.entry.name),
            axis,
            Axis::linear("Power density", "dB re full scale² / Hz"),
        );
        let mut totals = Vec::new();
        for (twin, ink, style) in [
            (Twin::Fixed, Ink::Sky, thin(Dash::Solid, 4.0)),
            (Twin::Float, Ink::Rust, thin(Dash::Dashed, 1.75)),
        ] {
            let got = self.render(twin, input.clone(), vec![(0, tuning)])?;
            let apart = got.iter().zip(&exact).map(|(y, e)| y - e).skip(settle).collect();
            let left = without(apart, &slopes);
            if let Ok(level) = Level::of(&left) {
                totals.push(format!("{} {:.1} dB", twin.name(), db(level.ac_rms)));
            }
            let Ok(density) = psd.analyse(&left, self.fs()) else { continue };
            chart = chart
                .with(Series::new(format!("{} twin", twin.name()), bands(density), style).ink(ink));
        }
        let held = match self.resonates() {
            true => format!("resonance {resonance}; "),
            false => String::new(),
        };
        if let Some(noise) = expected {
            totals.push(format!("predicted for fixed {:.1} dB", db(noise.rms)));
        }
        let points: Vec<(f64, f64)> = predicted
            .iter()
            .filter(|(hz, density)| *hz >= low && *density > 0.0)
            .map(|(hz, density)| (*hz, power_db(*density)))
            .collect();
        chart = chart
            .with(
                Series::new("fixed twin, predicted", points, thin(Dash::Solid, 1.0))
                    .ink(Ink::Black),
            )
            .note(self.note(&format!("{held}under white noise, peak {height}")));
        let alt = format!(
            "Power density against frequency of what the rounding of both twins of {} adds under \
             noise, and of the sources predicted for the fixed twin; rms: {}.",
            self.entry.name,
            totals.join(", ")
        );
        Ok(Some(Draft::chart(self.name("noise"), alt, chart)))
    }

    /// What a cutoff and a gain that are slightly off would add: no noise, but two known signals.
    fn slopes(
        &self,
        input: &[f64],
        figures: (f64, f64),
        exact: &[f64],
        settle: usize,
    ) -> [Vec<f64>; 2] {
        const NUDGE: f64 = 1.0 + 1e-6;
        let slope = |cutoff: f64, resonance: f64| -> Vec<f64> {
            let mut filter = self.algorithm().start();
            let nudged = input.iter().map(|x| filter.tick(*x, cutoff, resonance, &NO_PUSHES));
            nudged.zip(exact).map(|(y, e)| y - e).skip(settle).collect()
        };
        let (cutoff, resonance) = figures;
        let first = slope(cutoff * NUDGE, resonance);
        // They are alike: the second counts with what the first does not explain.
        let second = without(slope(cutoff, resonance * NUDGE), std::slice::from_ref(&first));
        [first, second]
    }

    /// Predicted density of the rounding of the fixed twin, full scale squared per Hz: every source
    /// white, through the response from there to the output.
    fn predicted(
        &self,
        tuning: &Tuning,
        height: f64,
        settle: usize,
    ) -> Result<Vec<(f64, f64)>, BenchError> {
        let count = settle.next_power_of_two().clamp(1 << 12, 1 << 17);
        let mut impulse = vec![0.0; count];
        impulse[0] = 1.0;
        let (cutoff, resonance) = self.figures(tuning);
        let mut density: Vec<(f64, f64)> = Vec::new();
        for source in self.expected.sources(Twin::Fixed, tuning, self.rate_hz, height)? {
            let mut filter = self.algorithm().start();
            let mut pushes = source.train.iter();
            let next = |_| {
                let push = pushes.next().unwrap_or(&NO_PUSHES);
                filter.tick(0.0, cutoff, resonance, push)
            };
            let response: Vec<f64> = (0..count).map(next).collect();
            let steady = Steady::new(&impulse, &response, self.fs())
                .map_err(BenchError::measuring("a source of rounding"))?;
            density.resize_with(steady.count() - 1, Default::default);
            for (line, (hz, sum)) in (1..).zip(&mut density) {
                *hz = steady.hz(line);
                // One-sided: both halves of the spectrum in one.
                *sum += 2.0 * source.variance / self.fs() * steady.gain(line).norm_sqr();
            }
        }
        Ok(density)
    }

    /// The start of the self-oscillation of the ladder of tanh, and how it goes on, with the
    /// amplitude of the reference table.
    fn self_oscillation(&self) -> Result<Option<Draft>, Error> {
        /// Resonance of a row of the table.
        const PLAYED: f64 = 1.25;
        const STRIKE: f64 = 1e-2;
        /// Growth of the start, e-folds.
        const FOLDS: f64 = 14.0;
        const PERIODS: f64 = 4.0;
        let Some(drive) = self.drive() else { return Ok(None) };
        let whole =
            matches!(self.algorithm(), Algorithm::TanhLadder { mix, .. } if *mix == mixes::LOW_4);
        if !whole {
            let cutoff = format!("cutoff={}", self.cutoff_hz);
            return self.with(&cutoff)?.self_oscillation();
        }
        let rows = tables::ladder_limit_cycles();
        let rows = rows.map_err(|error| BenchError::Request(error.to_string()))?;
        let row = rows.into_iter().find(|row| row.model == "every" && row.k == 4.0 * PLAYED);
        let Some(row) = row else { return Ok(None) };
        let tuning = self.tuning(self.cutoff_hz, PLAYED)?;
        let (cutoff, _) = self.figures(&tuning);
        // A loop of four poles grows by (k - 4)/16 per radian.
        let start = (FOLDS * 16.0 / (row.k - 4.0) / (TAU * cutoff)) as usize;
        let period = 1.0 / (cutoff * row.frequency_ratio);
        let steady = 4 * start;
        let mut input = vec![0.0; steady + (PERIODS * period) as usize + 1];
        input[0] = STRIKE / drive;
        let ms = |samples: f64| 1e3 * samples / self.fs();
        let time = |label: &str, samples: f64| Axis::linear(label, "ms").range(0.0, ms(samples));
        let level = || Axis::linear("Level", "full scale");
        let amplitude = row.amplitude / drive;
        let table = |chart: Chart| {
            chart
                .mark(Mark::horizontal(amplitude, format!("table {amplitude:.4}")))
                .mark(Mark::horizontal(-amplitude, ""))
        };
        let mut upper =
            table(Chart::new("Start", time("Time since the strike", start as f64), level()));
        let mut lower = table(Chart::new("Steady", time("Time", PERIODS * period), level()));
        let mut read = Vec::new();
        for (twin, ink, style) in [
            (Twin::Float, Ink::Sky, thin(Dash::Solid, 4.0)),
            (Twin::Fixed, Ink::Black, thin(Dash::Dashed, 1.25)),
        ] {
            let samples = self.render(twin, input.clone(), vec![(0, tuning)])?;
            let trace = |part: &[f64]| -> Vec<(f64, f64)> {
                part.iter().enumerate().map(|(n, y)| (ms(n as f64), *y)).collect()
            };
            let line =
                |name: &str, part: &[f64]| Series::new(name, trace(part), style.clone()).ink(ink);
            upper = upper.with(line("", &samples[..start]));
            lower = lower.with(line(&format!("{} twin", twin.name()), &samples[steady..]));
            let hz = self.fs() / period;
            if let Ok(found) = self_oscillation::read(&samples[2 * start..], self.fs(), hz, 5) {
                let off = db(found.amplitude / amplitude);
                read.push(format!("{} {:.2} Hz, {off:+.4} dB", twin.name(), found.pitch.hz));
            }
        }
        let note = format!("resonance {PLAYED}; dashed: amplitude of the fundamental by the table");
        let sheet = self.sheet("Self-oscillation", &note).with(upper, 1.2).with(lower, 1.0);
        let alt = format!(
            "Level against time of {} as it starts to oscillate and when it is steady, both twins, \
             with the amplitude of {amplitude:.4} of the reference table; re the table: {}.",
            self.entry.name,
            read.join(", ")
        );
        Ok(Some(Draft::sheet(self.name("self-oscillation"), alt, sheet).height(TALL)))
    }

    /// Fundamental, harmonics and aliases of the ladder of tanh against its drive.
    fn driven(&self) -> Result<Option<Draft>, Error> {
        const CAPTURE: usize = 1 << 12;
        /// Peak of the tone.
        const LOUD: f64 = 0.5;
        /// The tone and the cutoff in cycles per sample: the seventh harmonic is the first to fold,
        /// and the cutoff is one that works without oversampling.
        const TONE: f64 = 1.0 / 13.0;
        const OPEN: f64 = 0.2;
        const STEPS: u32 = 12;
        if self.drive().is_none() {
            return Ok(None);
        }
        let measuring = || BenchError::measuring("a driven filter");
        let tone = Tone::nearest(TONE * self.fs(), self.fs(), CAPTURE).map_err(measuring())?;
        let record: Vec<f64> = (0..CAPTURE).map(|n| LOUD * (TAU * tone.turns(n)).sin()).collect();
        let (least, most) = (ladder_tanh::DRIVE.min, ladder_tanh::DRIVE.max);
        let drives = spread(least, most, STEPS as usize + 1, 0.0);
        let mut jobs = Vec::new();
        for drive in drives {
            for rate in ladder_tanh::OVERSAMPLING.choices {
                let text = format!("drive={:.6} oversampling={rate}", drive.clamp(least, most));
                jobs.push((drive, *rate, text));
            }
        }
        // Oversampling, drive, fundamental re small signals, third, fifth, aliases, dB.
        let read: Result<Vec<_>, BenchError> = jobs
            .into_par_iter()
            .map(|(drive, rate, text)| {
                let shown = self.with(&text)?;
                let tuning = shown.tuning(OPEN * self.fs(), 0.0)?;
                let figures = shown.figures(&tuning);
                let out = shown.render(Twin::Fixed, record.repeat(2), vec![(0, tuning)])?;
                let mut coherent = Coherent::new(CAPTURE).map_err(measuring())?;
                let spectrum = coherent.analyse(&out[CAPTURE..]).map_err(measuring())?;
                let (mut orders, mut folded, mut sum) = ([0.0; 6], 0.0, 0.0);
                for line in spectrum.lines(tone).map_err(measuring())? {
                    let hz = line.hz_ratio * self.fs();
                    let size = line.amplitude.norm();
                    if let Some(order) = orders.get_mut(line.order as usize) {
                        *order = size;
                    }
                    if !(20.0..=20_000.0).contains(&hz) {
                        continue;
                    }
                    if line.alias { folded += size * size } else { sum += size * size }
                }
                let small = LOUD * shown.closed(tone.hz(self.fs()), figures).norm();
                let dbc = |order: usize| db(orders[order] / orders[1]);
                let figures = [db(orders[1] / small), dbc(3), dbc(5), power_db(folded / sum)];
                Ok((rate, drive, figures))
            })
            .collect();
        let read = read?;
        let axis = || Axis::log10("Drive", "times").range(least, most);
        let titles = [
            ("Fundamental", "Level", "dB re small signals"),
            ("Harmonics 3 and 5", "Level", "dBc"),
            ("Aliases over harmonics, 20 Hz to 20 kHz", "Power", "dB"),
        ];
        let mut charts =
            titles.map(|(title, label, unit)| Chart::new(title, axis(), Axis::linear(label, unit)));
        let looks = [
            (Outline::Circle, Dash::Solid, Ink::Blue),
            (Outline::Square, Dash::Dashed, Ink::Rust),
            (Outline::Triangle, Dash::Dotted, Ink::Green),
        ];
        let mut loudest = Vec::new();
        for (rate, (outline, dash, ink)) in ladder_tanh::OVERSAMPLING.choices.iter().zip(looks) {
            let line = |name: &str, which: usize, filled: bool| {
                let own = read.iter().filter(|(have, ..)| have == rate);
                let points = own.map(|(_, drive, figures)| (*drive, figures[which])).collect();
                let marker = if filled { Marker::filled(outline) } else { Marker::open(outline) };
                let style = Line { dash, thickness: 1.5, marker: Some(marker) };
                Series::new(name, points, Style::Line(style)).ink(ink)
            };
            let [first, second, third] = charts;
            charts = [
                first.with(line("", 0, false)),
                second.with(line(&format!("third, {rate}"), 1, false)).with(line(
                    &format!("fifth, {rate}"),
                    2,
                    true,
                )),
                third.with(line(&format!("oversampling {rate}"), 3, false)),
            ];
            let most = read.iter().filter(|(have, ..)| have == rate).map(|it| it.2[3]);
            loudest.push(format!("{rate} {:.1} dB", most.fold(f64::NEG_INFINITY, f64::max)));
        }
        let mut sheet = Sheet::new(format!("Distortion against drive: {}", self.entry.name));
        sheet.note = format!(
            "fixed twin; sine of {:.0} Hz, peak {LOUD}; cutoff {:.0} Hz, no resonance; rate {} kHz",
            tone.hz(self.fs()),
            OPEN * self.fs(),
            crate::khz(self.rate_hz)
        );
        let sheet = charts.into_iter().fold(sheet, |sheet, chart| sheet.with(chart, 1.0));
        let alt = format!(
            "Level of the fundamental, the third and the fifth harmonic and the aliases of {} \
             against drive from {least} to {most}, without and with oversampling; loudest aliases: {}.",
            self.entry.name,
            loudest.join(", ")
        );
        Ok(Some(Draft::sheet(self.name("drive"), alt, sheet).height(TALLER)))
    }
}

/// Values from `low` to `high`, evenly spread in ratio, shifted by a part of their distance.
fn spread(low: f64, high: f64, count: usize, shift: f64) -> impl Iterator<Item = f64> + use<> {
    let step = (high / low).ln() / (count - 1) as f64;
    (0..count)
        .map(move |i| low * ((i as f64 + shift) * step).exp())
        .filter(move |value| *value <= high * (1.0 + 1e-9))
}

/// Phase in degrees without jumps.
fn unwrapped(gains: &[(f64, Complex64)]) -> Vec<f64> {
    let mut before: Option<(Complex64, f64)> = None;
    gains
        .iter()
        .map(|&(_, gain)| {
            let angle = match before {
                Some((last, angle)) => angle + (gain / last).arg().to_degrees(),
                None => gain.arg().to_degrees(),
            };
            before = Some((gain, angle));
            angle
        })
        .collect()
}

/// What is left of a signal once its share of each known one is taken out.
fn without(mut signal: Vec<f64>, known: &[Vec<f64>]) -> Vec<f64> {
    for known in known {
        let power: f64 = known.iter().map(|x| x * x).sum();
        if power > 0.0 {
            let share = signal.iter().zip(known).map(|(y, x)| y * x).sum::<f64>() / power;
            signal.iter_mut().zip(known).for_each(|(y, x)| *y -= share * x);
        }
    }
    signal
}

/// A figure of three decimals at most, without trailing zeros.
fn short(value: f64) -> String {
    format!("{}", (1e3 * value).round() / 1e3)
}
