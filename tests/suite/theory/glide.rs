use super::Lcg;
use plumbtone_theory::glide::{Glide, GlideStage, Mode, Note, taus_to_within};
use plumbtone_theory::tables;

const RATE: f64 = 44_100.0;

/// `reference-tables/glide-times`, 20 digits; a distance of 0.1 or 0.01 is off by half an ulp.
#[test]
fn times_match_the_table() {
    let rows = tables::glide_times().unwrap();
    assert_eq!(rows.len(), 35);
    for (interval, within, taus) in rows {
        let found = taus_to_within(interval, within).unwrap();
        assert!((found - taus).abs() <= (1.0 + taus) * f64::EPSILON, "{interval} {within}");
    }
}

/// Exact facts, to the printed digits: an octave to within a cent and a tenth.
#[test]
fn times_match_the_published_row() {
    assert!((taus_to_within(1200.0, 1.0).unwrap() - 7.0901).abs() <= 0.5e-4);
    assert!((taus_to_within(-1200.0, 0.1).unwrap() - 9.3927).abs() <= 0.5e-4);
    assert_eq!(taus_to_within(3.0, 5.0).unwrap(), 0.0);
    assert!(taus_to_within(3.0, 0.0).is_err());
}

fn two_notes(to: f64) -> [Note; 2] {
    [
        Note { sample: 0, octaves: -0.5, legato: false },
        Note { sample: 100, octaves: to, legato: true },
    ]
}

#[test]
fn modes_take_the_time_they_say() {
    for (mode, arrival) in [
        // 0.1 s; 0.1 s per octave over 1.5; ln(1.5 2^20) = 14.2684 time constants of 0.1 s.
        (Mode::Time, 4410),
        (Mode::Rate, 6615),
        (Mode::Rc, 62_924),
    ] {
        let glide = Glide::new(mode, 0.1, false, RATE).unwrap();
        assert_eq!(glide.arrival_samples(-0.5, 1.0), arrival, "{mode:?}");
        let course = glide.course(&two_notes(1.0), 70_000).unwrap();
        let last = course.stages()[course.stages().len() - 1];
        assert_eq!((last.name, last.start), (GlideStage::Steady, 100 + arrival), "{mode:?}");
        assert_eq!((course.level(100), course.level(100 + arrival)), (-0.5, 1.0));
        assert!(course.level(99 + arrival) < 1.0 && course.level(101) > -0.5);
    }
    // An octave by time constants: a cent off at 7.0901 of them.
    let glide = Glide::new(Mode::Rc, 0.1, false, RATE).unwrap();
    let course = glide.course(&two_notes(0.5), 70_000).unwrap();
    let crossing = 100.0 + 7.0901 * 4410.0;
    assert!(0.5 - course.level(crossing as u64 - 1) > 1.0 / 1200.0);
    assert!(0.5 - course.level(crossing as u64 + 1) < 1.0 / 1200.0);
}

/// The pitch by its recurrence, sample by sample.
fn by_samples(
    mode: Mode,
    time_s: f64,
    legato_only: bool,
    notes: &[Note],
    samples: u64,
) -> (Vec<f64>, Vec<u64>) {
    let (mut pitch, mut target, mut add, mut to_go) = (0.0, 0.0, 0.0, 0_u64);
    let (mut gliding, mut first) = (false, true);
    let (mut out, mut arrivals) = (Vec::new(), Vec::new());
    let factor = (-1.0 / (time_s * RATE)).exp();
    for sample in 0..samples {
        let there = |gliding: bool, pitch: f64, target: f64, to_go: u64| match mode {
            Mode::Rc => gliding && f64::abs(pitch - target) <= 2.0_f64.powi(-20),
            _ => gliding && to_go == 0,
        };
        for note in notes.iter().filter(|note| note.sample == sample) {
            if there(gliding, pitch, target, to_go) {
                pitch = target;
            }
            target = note.octaves;
            let jump = first || (legato_only && !note.legato) || time_s * RATE < 0.5;
            (first, gliding) = (false, !jump);
            if jump {
                pitch = target;
            } else if mode != Mode::Rc {
                let per_way = if mode == Mode::Time { 1.0 } else { f64::abs(target - pitch) };
                to_go = (per_way * time_s * RATE).round() as u64;
                add = (target - pitch) / to_go as f64;
            }
        }
        if there(gliding, pitch, target, to_go) {
            (pitch, gliding) = (target, false);
            arrivals.push(sample);
        }
        out.push(pitch);
        if gliding {
            match mode {
                Mode::Rc => pitch = target + (pitch - target) * factor,
                _ => (pitch, to_go) = (pitch + add, to_go - 1),
            }
        }
    }
    (out, arrivals)
}

#[test]
fn paths_match_their_recurrence() {
    let mut lcg = Lcg(3);
    const SAMPLES: u64 = 6000;
    let mut seen = 0;
    for case in 0..600 {
        let mode = lcg.pick(&[Mode::Time, Mode::Rate, Mode::Rc]);
        let time_s = lcg.pick(&[0.0, 0.4, 0.6, 1.0, 7.5, 20.3, 100.0, 500.0, 9000.0]) / RATE;
        let legato_only = lcg.pick(&[true, false]);
        let mut notes = Vec::new();
        let mut sample = lcg.pick(&[0, 10]);
        while sample < SAMPLES {
            let octaves = lcg.pick(&[-5.75, -1.0, 0.25, 0.25 + 1e-7, 0.25 + 1.0 / 12.0, 4.8]);
            notes.push(Note { sample, octaves, legato: lcg.pick(&[true, false]) });
            sample += lcg.pick(&[0, 1, 5, 8, 100, 700, 2000]);
        }
        let glide = Glide::new(mode, time_s, legato_only, RATE).unwrap();
        let course = glide.course(&notes, SAMPLES).unwrap();
        let (pitches, arrivals) = by_samples(mode, time_s, legato_only, &notes, SAMPLES);
        // One rounding per sample at up to 8 octaves.
        let allowed = 8.0 * f64::EPSILON * SAMPLES as f64;
        for (sample, pitch) in (0..).zip(pitches) {
            let error = (course.level(sample) - pitch).abs();
            assert!(error <= allowed, "case {case}, sample {sample}: {error:e}");
        }
        let stages = course.stages().windows(2);
        let found: Vec<_> = stages
            .filter(|pair| pair[0].name == GlideStage::Gliding && pair[0].complete)
            .filter(|pair| pair[1].name == GlideStage::Steady && pair[1].jump == 0.0)
            .map(|pair| pair[1].start)
            .filter(|&start| start < SAMPLES && !notes.iter().any(|n| n.sample == start))
            .collect();
        let arrivals: Vec<_> =
            arrivals.into_iter().filter(|&s| !notes.iter().any(|n| n.sample == s)).collect();
        assert_eq!(found, arrivals, "case {case}");
        seen += found.len();
    }
    assert!(seen > 500, "{seen}");
}

#[test]
fn glides_refuse_what_they_cannot_be() {
    assert!(Glide::new(Mode::Rc, 100.1, false, RATE).is_err());
    let mut notes = two_notes(0.0);
    notes.swap(0, 1);
    assert!(Glide::new(Mode::Rc, 1.0, false, RATE).unwrap().course(&notes, 10).is_err());
}
