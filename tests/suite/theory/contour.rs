use super::Lcg;
use plumbtone_theory::contour::{
    Adsr, AdsrSettings, AdsrStage, Loop, Multistage, MultistageSettings, MultistageStage, Point,
};
use plumbtone_theory::course::{Course, Gate, Restart, bent};
use plumbtone_theory::tables;
use std::fmt::Debug;

const RATE: f64 = 44_100.0;
const UP: Gate = Gate::Up;
const DOWN: Gate = Gate::Down { legato: false };
const TIED: Gate = Gate::Down { legato: true };

/// `reference-tables/bend-curves`, 20 digits. The two `exp_m1` err by an ulp each, and rounding
/// `b u` and its quotient adds a few.
#[test]
fn bent_curves_match_the_table() {
    let rows = tables::bend_curves().unwrap();
    assert_eq!(rows.len(), 108);
    for (bend, position, share) in rows {
        let error = (bent(bend, position) - share).abs();
        // An ulp of the position moves the share by the slope, at most |b| / (1 - exp(-|b|)).
        let allowed = (4.0 * share + (bend.abs() + 1.0) * position) * f64::EPSILON;
        assert!(error <= allowed, "bend {bend} at {position}: {error:e}");
    }
}

/// Steps within a stage stay below the stage's bound, reach it, and every other step is a jump
/// that is listed.
fn assert_steps<N: Copy + Debug>(course: &Course<N>, samples: u64, slack: f64) {
    let stages = course.stages();
    for (index, stage) in stages.iter().enumerate() {
        let end = stage.end.unwrap_or(samples).min(samples - 1);
        let (mut largest, mut jump) = (0.0_f64, 0.0);
        for sample in stage.start..end {
            if Some(sample + 1) == stage.end {
                let following = stages[index + 1..].iter().take_while(|s| s.start == sample + 1);
                jump = following.map(|s| s.jump).sum();
            }
            let step = course.level(sample + 1) - course.level(sample) - jump;
            largest = largest.max(step.abs());
        }
        assert!(largest <= stage.largest_step + slack, "{stage:?}: {largest:e}");
        let whole = stage.end.is_some_and(|e| e < samples);
        assert!(!whole || largest >= stage.largest_step - slack, "{stage:?}: {largest:e}");
    }
}

fn plain(attack_s: f64, decay_s: f64, sustain: f64, release_s: f64) -> AdsrSettings {
    let (overshoot, restart) = (1.3, Restart::Present);
    AdsrSettings { attack_s, decay_s, sustain, release_s, overshoot, restart }
}

/// Times that the settings name, from first principles: an attack from 0 peaks at its time, the
/// decay has 0.1 % of its way left at its own, the release is 60 dB down at its own.
#[test]
fn adsr_lasts_what_it_says() {
    let adsr = Adsr::new(plain(0.01, 0.1, 0.5, 0.2), RATE).unwrap();
    let course = adsr.course(&[(100, DOWN), (20_000, UP)], 50_000).unwrap();
    assert_eq!((course.level(99), course.level(100)), (0.0, 0.0));
    // 441 samples of attack.
    assert_eq!(course.level(541), 1.0);
    assert!(course.level(540) < 1.0 && course.level(540) > 0.997);
    let decay_left = (course.level(541 + 4410) - 0.5) / 0.5;
    assert!((decay_left - 1e-3).abs() < 1e-14, "{decay_left}");
    let release_left = course.level(20_000 + 8820) / 0.5;
    assert!((release_left - 1e-3).abs() < 1e-14, "{release_left}");
    assert_eq!(course.level(19_999), 0.5);
    let names: Vec<_> = course.ends().map(|(name, _)| name.to_string()).collect();
    assert_eq!(names, ["idle", "attack", "decay", "sustain", "release"]);
    // Half the way is 2^19 settled distances: 13.17 time constants of 638.4 samples = 8407.8.
    let ends: Vec<_> = course.ends().map(|(_, end)| end).collect();
    assert_eq!(ends[..4], [100, 541, 541 + 8408, 20_000]);
    assert_eq!(course.level(49_999), 0.0);
    assert_steps(&course, 50_000, 4.0 * f64::EPSILON);
}

/// The decay in decibels is a straight line: 60 dB in its time, over 100 dB.
#[test]
fn release_is_linear_in_decibels() {
    let adsr = Adsr::new(plain(0.0, 0.0, 1.0, 1.0), RATE).unwrap();
    let course = adsr.course(&[(0, DOWN), (1, UP)], 100_000).unwrap();
    for sample in (1..73_500).step_by(500) {
        let db = 20.0 * course.level(sample).log10();
        let line = -60.0 * (sample - 1) as f64 / RATE;
        assert!((db - line).abs() < 1e-10, "{sample}: {db}");
    }
}

/// The contour by its recurrence, sample by sample: no closed form, no logarithm, and the crossing
/// of 1 by the mean of two samples.
struct AdsrBySamples {
    settings: AdsrSettings,
    stage: AdsrStage,
    level: f64,
    on: bool,
    ends: Vec<(AdsrStage, u64)>,
}

impl AdsrBySamples {
    fn factor(time_s: f64, taus: f64) -> f64 {
        if time_s * RATE < 0.5 { 0.0 } else { (-taus / (time_s * RATE)).exp() }
    }

    fn attack_factor(&self) -> f64 {
        let a = self.settings.overshoot;
        Self::factor(self.settings.attack_s, (a / (a - 1.0)).ln())
    }

    fn stepped(&self) -> f64 {
        let log = 1000.0_f64.ln();
        let toward = |target: f64, q: f64| target + (self.level - target) * q;
        match self.stage {
            AdsrStage::Idle | AdsrStage::Sustain => self.level,
            AdsrStage::Attack => toward(self.settings.overshoot, self.attack_factor()),
            AdsrStage::Decay => {
                toward(self.settings.sustain, Self::factor(self.settings.decay_s, log))
            }
            AdsrStage::Release => toward(0.0, Self::factor(self.settings.release_s, log)),
        }
    }

    /// Puts the level at the stage's end if it is there.
    fn ended(&mut self) -> bool {
        let near = |target: f64| (self.level - target).abs() <= 2.0_f64.powi(-20);
        let end = match self.stage {
            AdsrStage::Attack if 0.5 * (self.level + self.stepped()) >= 1.0 => Some(1.0),
            AdsrStage::Decay if near(self.settings.sustain) => Some(self.settings.sustain),
            AdsrStage::Release if near(0.0) => Some(0.0),
            _ => None,
        };
        self.level = end.unwrap_or(self.level);
        end.is_some()
    }

    fn event(&mut self, gate: Gate) -> Option<AdsrStage> {
        let on = std::mem::replace(&mut self.on, gate != UP);
        match gate {
            Gate::Down { legato } => {
                if on && legato && self.settings.restart == Restart::Legato {
                    return None;
                }
                if self.settings.restart == Restart::Zero {
                    self.level = 0.0;
                }
                if self.attack_factor() == 0.0 {
                    self.level = 1.0;
                }
                Some(AdsrStage::Attack)
            }
            Gate::Up if !on => None,
            Gate::Up => {
                if self.settings.release_s * RATE < 0.5 {
                    self.level = 0.0;
                }
                Some(AdsrStage::Release)
            }
        }
    }

    fn run(&mut self, events: &[(u64, Gate)], samples: u64) -> Vec<f64> {
        let mut out = Vec::new();
        for sample in 0..samples {
            let mut ended = self.ended();
            for event in events.iter().filter(|event| event.0 == sample) {
                if let Some(next) = self.event(event.1) {
                    self.ends.push((self.stage, sample));
                    self.stage = next;
                    ended = self.ended();
                }
            }
            while ended {
                self.ends.push((self.stage, sample));
                self.stage = match self.stage {
                    AdsrStage::Attack => AdsrStage::Decay,
                    AdsrStage::Decay => AdsrStage::Sustain,
                    _ => AdsrStage::Idle,
                };
                ended = self.ended();
            }
            out.push(self.level);
            self.level = self.stepped();
        }
        out
    }
}

/// Gate events at random gaps, some of no sample.
fn random_events(lcg: &mut Lcg, samples: u64) -> Vec<(u64, Gate)> {
    let mut events = Vec::new();
    let mut sample = lcg.pick(&[0, 1, 50]);
    while sample < samples {
        events.push((sample, lcg.pick(&[DOWN, DOWN, TIED, UP, UP])));
        sample += lcg.pick(&[0, 1, 2, 7, 8, 30, 100, 333, 1000, 2500]);
    }
    events
}

#[test]
fn adsr_matches_its_recurrence() {
    let mut lcg = Lcg(1);
    const SAMPLES: u64 = 6000;
    for case in 0..400 {
        // In samples: none, below half, one, odd halves, up to what outlasts the run.
        let times = [0.0, 0.4, 0.6, 1.0, 1.5, 7.5, 8.0, 100.0, 333.3, 1000.0, 20_000.0];
        let settings = AdsrSettings {
            attack_s: lcg.pick(&times) / RATE,
            decay_s: lcg.pick(&times) / RATE,
            sustain: lcg.pick(&[0.0, 1e-7, 0.3, 0.5, 1.0 - 1e-7, 1.0]),
            release_s: lcg.pick(&times) / RATE,
            overshoot: lcg.pick(&[1.01, 1.3, 2.0, 100.0]),
            restart: lcg.pick(&[Restart::Present, Restart::Zero, Restart::Legato]),
        };
        let events = random_events(&mut lcg, SAMPLES);
        let course = Adsr::new(settings, RATE).unwrap().course(&events, SAMPLES).unwrap();
        let mut direct = AdsrBySamples {
            settings,
            stage: AdsrStage::Idle,
            level: 0.0,
            on: false,
            ends: Vec::new(),
        };
        // Each step rounds at the size of the target, and 1/k steps are remembered at most; an
        // attack of 20 000 samples toward 100 has k = 5e-7.
        let allowed = 2.0 * f64::EPSILON * settings.overshoot * SAMPLES as f64;
        for (sample, level) in (0..).zip(direct.run(&events, SAMPLES)) {
            let error = (course.level(sample) - level).abs();
            assert!(error <= allowed, "case {case}, sample {sample}: {error:e}\n{settings:?}");
        }
        let ends: Vec<_> = course.ends().filter(|end| end.1 < SAMPLES).collect();
        assert_eq!(ends, direct.ends, "case {case}\n{settings:?}\n{events:?}");
        // Each level is rounded at the size of the target.
        assert_steps(&course, SAMPLES, 4.0 * f64::EPSILON * settings.overshoot);
    }
}

/// The event comes before the choice of the next stage, the end level before the event.
#[test]
fn a_key_up_at_the_peak_releases_from_the_peak() {
    let adsr = Adsr::new(plain(0.01, 0.1, 0.5, 0.2), RATE).unwrap();
    let course = adsr.course(&[(0, DOWN), (441, UP)], 1000).unwrap();
    assert_eq!(course.level(441), 1.0);
    let ends: Vec<_> = course.ends().take(2).collect();
    assert_eq!(ends, [(AdsrStage::Idle, 0), (AdsrStage::Attack, 441)]);
    let attack = course.stages()[1];
    assert!(attack.complete && course.stages()[2].name == AdsrStage::Release);
    let cut = adsr.course(&[(0, DOWN), (440, UP)], 1000).unwrap().stages()[1];
    assert_eq!((cut.end, cut.complete), (Some(440), false));
}

#[test]
fn adsr_jumps_are_listed() {
    let settings = AdsrSettings { restart: Restart::Zero, ..plain(0.01, 0.1, 0.5, 0.0) };
    let adsr = Adsr::new(settings, RATE).unwrap();
    let course = adsr.course(&[(0, DOWN), (20_000, DOWN), (30_000, UP)], 40_000).unwrap();
    let jumps: Vec<_> =
        course.stages().iter().filter(|s| s.jump != 0.0).map(|s| (s.start, s.jump)).collect();
    assert_eq!(jumps, [(20_000, -0.5), (30_000, -0.5)]);
}

#[test]
fn adsr_refuses_what_it_cannot_be() {
    let refused = |settings: AdsrSettings| Adsr::new(settings, RATE).unwrap_err().to_string();
    let good = plain(0.01, 0.1, 0.5, 0.2);
    assert_eq!(
        refused(AdsrSettings { overshoot: 1.0, ..good }),
        "overshoot = 1 is out of range: 1.01..=100"
    );
    assert_eq!(
        refused(AdsrSettings { decay_s: 101.0, ..good }),
        "decay_s = 101 is out of range: 0..=100 s"
    );
    refused(AdsrSettings { sustain: -0.1, ..good });
    refused(AdsrSettings { release_s: f64::NAN, ..good });
    assert!(Adsr::new(good, 0.0).is_err());
    let backwards = Adsr::new(good, RATE).unwrap().course(&[(5, DOWN), (4, UP)], 10);
    assert!(backwards.is_err());
}

fn points(list: &[(f64, f64, f64)]) -> Vec<Point> {
    list.iter()
        .map(|&(samples, level, bend)| Point { time_s: samples / RATE, level, bend })
        .collect()
}

/// The contour counted down sample by sample: every stage by its recurrence.
struct MultistageBySamples {
    settings: MultistageSettings,
    stage: MultistageStage,
    level: f64,
    /// Of the stage under way: samples to go, and `level = factor level + add` per sample.
    to_go: u64,
    factor: f64,
    add: f64,
    on: bool,
    repeats: u32,
    ends: Vec<(MultistageStage, u64)>,
}

impl MultistageBySamples {
    fn begin(&mut self, sample: u64, stage: MultistageStage) {
        self.ends.push((self.stage, sample));
        self.stage = stage;
        let MultistageStage::Toward(point) = stage else { return };
        let Point { time_s, level, bend } = self.settings.points[point - 1];
        self.to_go = (time_s * RATE).round() as u64;
        let way = level - self.level;
        if bend == 0.0 {
            (self.factor, self.add) = (1.0, way / self.to_go as f64);
        } else {
            let target = self.level + way / (1.0 - (-bend).exp());
            self.factor = (-bend / self.to_go as f64).exp();
            self.add = target * (1.0 - self.factor);
        }
    }

    /// The level of a stage that is over is its point's.
    fn over(&mut self) -> Option<usize> {
        match self.stage {
            MultistageStage::Toward(point) if self.to_go == 0 => {
                self.level = self.settings.points[point - 1].level;
                Some(point)
            }
            _ => None,
        }
    }

    fn after(&mut self, sample: u64, point: usize) {
        let mut next = point + 1;
        if let Some(repeat) = self.settings.repeat
            && repeat.to == point
        {
            if repeat.count == 0 && self.on {
                next = repeat.from;
            } else if self.repeats > 0 {
                self.repeats -= 1;
                next = repeat.from;
            }
        }
        let rest = next > self.settings.points.len();
        let stage = if rest { MultistageStage::Rest } else { MultistageStage::Toward(next) };
        self.begin(sample, stage);
    }

    fn event(&mut self, sample: u64, gate: Gate) {
        let on = std::mem::replace(&mut self.on, gate != UP);
        match (gate, self.stage) {
            (Gate::Down { legato: true }, _) if on && self.settings.restart == Restart::Legato => {}
            (Gate::Down { .. }, _) => {
                if self.settings.restart == Restart::Zero {
                    self.level = 0.0;
                }
                self.repeats = self.settings.repeat.map_or(0, |repeat| repeat.count);
                self.begin(sample, MultistageStage::Toward(1));
            }
            (Gate::Up, MultistageStage::Toward(point) | MultistageStage::Hold(point)) if on => {
                let release = self.settings.release.filter(|&release| point < release);
                if let Some(release) = release {
                    self.begin(sample, MultistageStage::Toward(release));
                } else if matches!(self.stage, MultistageStage::Hold(_)) {
                    self.after(sample, point);
                }
            }
            _ => {}
        }
    }

    fn run(&mut self, events: &[(u64, Gate)], samples: u64) -> Vec<f64> {
        let mut out = Vec::new();
        for sample in 0..samples {
            for event in events.iter().filter(|event| event.0 == sample) {
                self.over();
                self.event(sample, event.1);
            }
            while let Some(point) = self.over() {
                if self.on && self.settings.hold == Some(point) {
                    self.begin(sample, MultistageStage::Hold(point));
                } else {
                    self.after(sample, point);
                }
            }
            out.push(self.level);
            if matches!(self.stage, MultistageStage::Toward(_)) {
                self.level = self.factor * self.level + self.add;
                self.to_go -= 1;
            }
        }
        out
    }
}

#[test]
fn multistage_matches_its_recurrence() {
    let mut lcg = Lcg(2);
    const SAMPLES: u64 = 6000;
    let mut seen = std::collections::BTreeSet::new();
    for case in 0..600 {
        let count = lcg.pick(&[2, 3, 4, 5, 8]);
        let list: Vec<_> = (0..count)
            .map(|_| {
                let samples = lcg.pick(&[0.0, 0.4, 1.0, 2.0, 7.5, 30.0, 100.0, 333.3, 1000.0]);
                let bend = lcg.pick(&[0.0, 0.0, 1.0, 5.0, 8.0, -1.0, -5.0, -8.0]);
                (samples, lcg.pick(&[-1.0, -0.3, 0.0, 0.25, 0.7, 1.0]), bend)
            })
            .collect();
        let some_point = |lcg: &mut Lcg| Some(1 + lcg.next() as usize % count);
        let hold = if lcg.pick(&[true, false]) { some_point(&mut lcg) } else { None };
        let release = if lcg.pick(&[true, false]) { some_point(&mut lcg) } else { None };
        let (from, to) = (some_point(&mut lcg).unwrap(), some_point(&mut lcg).unwrap());
        let repeat = Loop { from, to, count: lcg.pick(&[0, 1, 2, 5]) };
        let settings = MultistageSettings {
            points: points(&list),
            hold,
            repeat: (from <= to).then_some(repeat),
            release,
            restart: lcg.pick(&[Restart::Present, Restart::Zero, Restart::Legato]),
        };
        let Ok(contour) = Multistage::new(settings.clone(), RATE) else {
            // Only a loop of no sample is refused.
            let length: f64 = list[from - 1..to].iter().map(|point| point.0.round()).sum();
            assert_eq!(length, 0.0, "case {case}");
            continue;
        };
        let events = random_events(&mut lcg, SAMPLES);
        let course = contour.course(&events, SAMPLES).unwrap();
        let mut direct = MultistageBySamples {
            settings: settings.clone(),
            stage: MultistageStage::Rest,
            level: 0.0,
            to_go: 0,
            factor: 1.0,
            add: 0.0,
            on: false,
            repeats: 0,
            ends: Vec::new(),
        };
        // A stage of 1000 samples rounds once or twice per sample at up to twice the way, and a
        // negative bend of 8 makes that exp(8) of it, summed over 1000/8 samples that matter.
        let allowed = 4.0 * f64::EPSILON * 8.0_f64.exp() * 1000.0 / 8.0;
        for (sample, level) in (0..).zip(direct.run(&events, SAMPLES)) {
            let error = (course.level(sample) - level).abs();
            assert!(error <= allowed, "case {case}, sample {sample}: {error:e}\n{settings:?}");
        }
        let ends: Vec<_> = course.ends().filter(|end| end.1 < SAMPLES).collect();
        assert_eq!(ends, direct.ends, "case {case}\n{settings:?}\n{events:?}");
        assert_steps(&course, SAMPLES, 8.0 * f64::EPSILON);
        for (name, _) in ends {
            seen.insert(name.to_string());
        }
    }
    assert!(seen.contains("rest") && seen.contains("hold 8") && seen.contains("stage 8"));
}

/// By hand: three points, the second held, the loop 2..3 twice more, release at 4.
#[test]
fn multistage_walks_hold_loop_and_release() {
    use MultistageStage::{Hold, Rest, Toward};
    let list = [(10.0, 1.0, 0.0), (5.0, 0.5, 0.0), (5.0, -0.5, 0.0), (20.0, 0.0, 0.0)];
    let settings = MultistageSettings {
        points: points(&list),
        hold: None,
        repeat: Some(Loop { from: 2, to: 3, count: 2 }),
        release: Some(4),
        restart: Restart::Present,
    };
    let looped = Multistage::new(settings.clone(), RATE).unwrap();
    let ends = |contour: &Multistage, events: &[_]| -> Vec<_> {
        contour.course(events, 200).unwrap().ends().skip(1).collect()
    };
    let passes = [(Toward(1), 10), (Toward(2), 15), (Toward(3), 20), (Toward(2), 25)];
    let rest = [(Toward(3), 30), (Toward(2), 35), (Toward(3), 40), (Toward(4), 60)];
    assert_eq!(ends(&looped, &[(0, DOWN)]), [passes, rest].concat());
    // Up in the middle of the second pass: 20 samples to 0 from -0.1.
    assert_eq!(
        ends(&looped, &[(0, DOWN), (28, UP)]),
        [&passes[..], &[(Toward(3), 28), (Toward(4), 48)]].concat()
    );
    let course = looped.course(&[(0, DOWN), (28, UP)], 200).unwrap();
    assert!((course.level(28) + 0.1).abs() < 1e-15 && (course.level(38) + 0.05).abs() < 1e-15);
    let held = MultistageSettings { hold: Some(2), repeat: None, ..settings };
    let held = Multistage::new(held, RATE).unwrap();
    assert_eq!(
        ends(&held, &[(0, DOWN), (100, UP), (130, DOWN)]),
        [
            (Toward(1), 10),
            (Toward(2), 15),
            (Hold(2), 100),
            (Toward(4), 120),
            (Rest, 130),
            (Toward(1), 140),
            (Toward(2), 145)
        ]
    );
}

#[test]
fn multistage_refuses_what_it_cannot_be() {
    let good = MultistageSettings {
        points: points(&[(10.0, 1.0, 0.0), (0.0, 0.5, 0.0), (0.4, 0.0, 0.0)]),
        hold: None,
        repeat: None,
        release: None,
        restart: Restart::Present,
    };
    let refused = |settings| Multistage::new(settings, RATE).unwrap_err().name;
    let repeat = |from, to, count| MultistageSettings {
        repeat: Some(Loop { from, to, count }),
        ..good.clone()
    };
    assert_eq!(refused(repeat(2, 1, 0)), "loop_from");
    assert_eq!(refused(repeat(2, 4, 0)), "loop_to");
    assert_eq!(refused(repeat(2, 3, 0)), "samples of the loop");
    assert_eq!(refused(repeat(1, 3, 1001)), "loop_count");
    assert_eq!(refused(MultistageSettings { hold: Some(4), ..good.clone() }), "hold");
    assert_eq!(refused(MultistageSettings { release: Some(0), ..good.clone() }), "release");
    let with = |point| MultistageSettings { points: points(&[point, point]), ..good.clone() };
    assert_eq!(refused(with((1.0, 1.1, 0.0))), "level");
    assert_eq!(refused(with((1.0, 1.0, 8.1))), "bend");
    assert_eq!(refused(with((-1.0, 1.0, 8.0))), "time_s");
    assert_eq!(
        refused(MultistageSettings { points: points(&[(1.0, 1.0, 0.0)]), ..good }),
        "points"
    );
}
