//! Runs that go on with what a journal has kept.

use std::collections::BTreeMap;
use std::sync::Mutex;

use plumbtone::check::{self, Shape};
use plumbtone::run::{self, Journal, Run, Unit};
use plumbtone::voice::Setup;
use plumbtone::{Kind, Results, Settings, Twin, control};

/// Keeps units in memory, and counts what it was given.
#[derive(Default)]
struct Memory {
    kept: BTreeMap<usize, Unit>,
    stored: Mutex<BTreeMap<usize, Unit>>,
}

impl Journal for Memory {
    fn load(&self, unit: usize) -> Option<Unit> {
        self.kept.get(&unit).cloned()
    }

    fn store(&self, unit: usize, taken: &Unit) {
        let twice = self.stored.lock().unwrap().insert(unit, taken.clone());
        assert!(twice.is_none(), "unit {unit} was measured twice");
    }
}

/// Three keys of two twins, which share their exact evaluations, and two settings of two twins.
fn asked() -> Run<'static> {
    let twins = [Twin::Float, Twin::Fixed];
    let checks = twins.map(|twin| {
        let check = check::twin("spline4", twin, Shape::Ramp, Setup::default()).unwrap();
        check.keys([45, 57, 69]).rates([44_100]).derived(Kind::Rounding).noted(Kind::Aliases)
    });
    let settings =
        ["attack=0.01", "attack=0.02"].map(|text| Settings::parse("adsr", text).unwrap());
    let settings_checks = twins.map(|twin| {
        let check = control::twin("adsr", twin).unwrap().rates([44_100]);
        check.settings(settings.clone()).derived(Kind::Rounding).derived(Kind::StageTime)
    });
    let settings_checks = settings_checks.to_vec();
    Run { settings_checks, ..Run::new("taken up", checks.to_vec()) }
}

/// Groups of twins by key, then sets of settings.
const UNITS: usize = 3 + 4;
const NOTES: usize = 3 * 2 + 4;

/// Results, units that were measured, notes that were measured, and what progress said first.
fn go_on(kept: BTreeMap<usize, Unit>) -> (Results, BTreeMap<usize, Unit>, usize, usize) {
    let journal = Memory { kept, ..Memory::default() };
    let told = Mutex::new(Vec::new());
    let progress = |done: usize, all: usize| {
        assert_eq!(all, NOTES);
        told.lock().unwrap().push(done);
    };
    let asked = Run { journal: Some(&journal), progress: Some(&progress), ..asked() };
    let (results, timing) = run::run(&asked).unwrap();
    let mut told = told.into_inner().unwrap();
    let first = told[0];
    told.sort_unstable();
    assert!(told.into_iter().eq(first..=NOTES), "counted one by one from {first}");
    (results, journal.stored.into_inner().unwrap(), timing.notes, first)
}

#[test]
fn a_run_goes_on_with_what_was_kept_and_gives_the_same() {
    let (whole, _) = run::run(&asked()).unwrap();
    let (results, units, notes, first) = go_on(BTreeMap::new());
    assert_eq!(results, whole);
    assert!(units.keys().copied().eq(0..UNITS));
    assert_eq!((notes, first), (NOTES, 0));
    // Whatever was kept is not measured again, and whatever was not is.
    for kept in [vec![0], vec![2, 5], vec![0, 1, 2], vec![3, 4, 5, 6], (0..UNITS).collect()] {
        let part = units.iter().filter(|(unit, _)| kept.contains(unit));
        let part: BTreeMap<_, _> = part.map(|(unit, taken)| (*unit, taken.clone())).collect();
        let before = kept.iter().map(|&unit| if unit < 3 { 2 } else { 1 }).sum::<usize>();
        let (results, fresh, notes, first) = go_on(part);
        assert_eq!(results, whole, "{kept:?}");
        assert!(fresh.keys().copied().eq((0..UNITS).filter(|unit| !kept.contains(unit))));
        assert_eq!((notes, first), (NOTES - before, before));
    }
}

#[test]
fn what_was_kept_is_taken_as_it_is_and_what_does_not_fit_is_measured() {
    let (whole, units, ..) = go_on(BTreeMap::new());
    // A level of nothing at all comes back as such.
    let mut odd = units.clone();
    odd.get_mut(&1).unwrap()[0][1].value = Some(f64::NEG_INFINITY);
    odd.get_mut(&6).unwrap()[0][0].value = Some(-0.0);
    let (results, fresh, ..) = go_on(odd);
    assert!(fresh.is_empty());
    let values = results.findings.iter().flat_map(|f| &f.cases).filter_map(|case| case.value);
    assert_eq!(values.filter(|&value| value == f64::NEG_INFINITY).count(), 1);
    // A note or a reading too few or too many.
    let spoil: [fn(&mut Unit); 4] = [
        |unit| unit.truncate(1),
        |unit| unit.push(unit[0].clone()),
        |unit| unit[1].clear(),
        |unit| unit.clear(),
    ];
    for spoil in spoil {
        let mut kept = units.clone();
        kept.values_mut().for_each(spoil);
        let (results, fresh, notes, _) = go_on(kept);
        assert_eq!(results, whole);
        assert_eq!((fresh.len(), notes), (UNITS, NOTES));
    }
}
