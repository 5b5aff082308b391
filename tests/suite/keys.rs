//! Held keys: every short sequence, the overfull stack, and the events that come of it.

use plumbtone_voice::control::keys::{CAPACITY, Change, Keys, PRIORITY, Priority, octaves};
use plumbtone_voice::control::{Made, keys};
use plumbtone_voice::{KeyEvent, Values};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

/// The definition: a list of held keys in the order in which they were pressed.
#[derive(Clone, Default)]
struct Plain(Vec<u8>);

impl Plain {
    fn sounding(&self, priority: Priority) -> Option<u8> {
        match priority {
            Priority::Low => self.0.iter().min().copied(),
            Priority::High => self.0.iter().max().copied(),
            Priority::Last => self.0.last().copied(),
        }
    }

    /// The key whose turn would come last.
    fn least(&self, priority: Priority) -> u8 {
        match priority {
            Priority::Low => *self.0.iter().max().unwrap(),
            Priority::High => *self.0.iter().min().unwrap(),
            Priority::Last => self.0[0],
        }
    }

    /// Presses or lets go of a key: what sounded before, and what does now.
    fn play(&mut self, priority: Priority, key: u8, down: bool) -> [Option<u8>; 2] {
        let before = self.sounding(priority);
        self.0.retain(|held| *held != key);
        if down {
            self.0.push(key);
        }
        if self.0.len() > CAPACITY {
            let least = self.least(priority);
            self.0.retain(|held| *held != least);
        }
        [before, self.sounding(priority)]
    }
}

/// What the change of the sounding key must be called.
fn expected(before: Option<u8>, now: Option<u8>) -> Change {
    match (before, now) {
        (None, Some(key)) => Change::Sounds { key, legato: false },
        (Some(before), Some(key)) if before != key => Change::Sounds { key, legato: true },
        (Some(_), None) => Change::Silence,
        _ => Change::Nothing,
    }
}

#[track_caller]
fn step(keys: &mut Keys, plain: &mut Plain, priority: Priority, key: u8, down: bool) {
    let [before, now] = plain.play(priority, key, down);
    let change = if down { keys.down(key) } else { keys.up(key) };
    assert_eq!(change, expected(before, now), "{priority:?} key {key} down {down}: {:?}", plain.0);
    assert_eq!(keys.sounding(), now, "{priority:?} key {key} down {down}: {:?}", plain.0);
}

/// All sequences of up to six events, down or up, over three keys: 6 + 6² + ... + 6⁶ = 55 986 for
/// each priority, with keys let go that were never pressed and keys pressed twice among them.
#[test]
fn every_short_sequence_agrees_with_a_plain_list() {
    fn walk(keys: &Keys, plain: &Plain, priority: Priority, events_left: u32, count: &mut u32) {
        if events_left == 0 {
            return;
        }
        for key in [60, 64, 67] {
            for down in [true, false] {
                let (mut keys, mut plain) = (keys.clone(), plain.clone());
                step(&mut keys, &mut plain, priority, key, down);
                *count += 1;
                walk(&keys, &plain, priority, events_left - 1, count);
            }
        }
    }
    for priority in Priority::ALL {
        let mut count = 0;
        walk(&Keys::new(priority), &Plain::default(), priority, 6, &mut count);
        assert_eq!(count, 55_986);
    }
}

/// The table of the trade: C E G held, then the sounding key let go.
#[test]
fn priorities_mean_what_their_names_say() {
    for (priority, sounds, then) in [
        (Priority::Low, [64, 60, 60], 64),
        (Priority::High, [64, 64, 67], 64),
        (Priority::Last, [64, 60, 67], 60),
    ] {
        let mut keys = Keys::new(priority);
        for (key, sounding) in [64, 60, 67].into_iter().zip(sounds) {
            keys.down(key);
            assert_eq!(keys.sounding(), Some(sounding), "{priority:?}");
        }
        let change = keys.up(sounds[2]);
        assert_eq!(change, Change::Sounds { key: then, legato: true }, "{priority:?}");
    }
}

/// With sixteen held, a seventeenth displaces the one that would sound last, and so may vanish
/// itself; letting go of what was displaced changes nothing.
#[test]
fn a_seventeenth_key_displaces_the_one_that_would_sound_last() {
    let sixteen = || 40..56_u8;
    let full = |priority| {
        let mut keys = Keys::new(priority);
        sixteen().for_each(|key| {
            keys.down(key);
        });
        keys
    };
    // The lowest sounds: a higher one vanishes, a lower one displaces the highest.
    let mut keys = full(Priority::Low);
    assert_eq!(keys.down(90), Change::Nothing);
    assert_eq!(keys.up(90), Change::Nothing);
    assert_eq!(keys.down(30), Change::Sounds { key: 30, legato: true });
    assert_eq!(keys.up(55), Change::Nothing);
    let mut order: Vec<Change> = Vec::new();
    order.extend([30].into_iter().chain(sixteen()).map(|key| keys.up(key)));
    for (i, change) in order.iter().take(15).enumerate() {
        assert_eq!(*change, Change::Sounds { key: 40 + i as u8, legato: true });
    }
    assert_eq!(order[15..], [Change::Silence, Change::Nothing]);
    // The highest sounds.
    let mut keys = full(Priority::High);
    assert_eq!(keys.down(30), Change::Nothing);
    assert_eq!(keys.down(90), Change::Sounds { key: 90, legato: true });
    assert_eq!(keys.up(40), Change::Nothing);
    assert_eq!(keys.up(90), Change::Sounds { key: 55, legato: true });
    // The last sounds, and the first is forgotten.
    let mut keys = full(Priority::Last);
    assert_eq!(keys.down(90), Change::Sounds { key: 90, legato: true });
    assert_eq!(keys.up(40), Change::Nothing);
    assert_eq!(keys.down(41), Change::Sounds { key: 41, legato: true });
    for key in 42..56 {
        assert_eq!(keys.up(key), Change::Nothing);
    }
    assert_eq!(keys.up(41), Change::Sounds { key: 90, legato: true });
    assert_eq!(keys.up(90), Change::Silence);
}

/// Equal temperament about A4 = key 69, twelve keys to the octave, to half a unit of Q6.26.
#[test]
fn changes_become_key_events_at_the_pitch_of_the_key() {
    for key in 0..=u8::MAX {
        let exact = (f64::from(key) - 69.0) / 12.0;
        let error = octaves(key).to_num::<f64>() - exact;
        assert!(error.abs() <= (-27_f64).exp2(), "{key}: {error:e}");
        for legato in [false, true] {
            let event = Change::Sounds { key, legato }.event();
            assert_eq!(event, Some(KeyEvent::Down { octaves: octaves(key), legato }));
        }
    }
    assert_eq!(Change::Silence.event(), Some(KeyEvent::Up));
    assert_eq!(Change::Nothing.event(), None);
}

#[test]
fn the_priority_is_given_by_name() {
    assert_eq!(PRIORITY.choices, ["low", "high", "last"]);
    for (index, priority) in [Priority::Low, Priority::High, Priority::Last].into_iter().enumerate()
    {
        let values = [("priority", index as f64)];
        assert_eq!(Priority::from_values(&Values(&values)), Ok(priority));
    }
    assert_eq!(Priority::from_values(&Values(&[])), Ok(Priority::default()));
    let refused = Priority::from_values(&Values(&[("priority", 3.0)])).unwrap_err();
    assert_eq!((refused.parameter, refused.value, refused.max), ("priority", 3.0, 2.0));
    assert!(matches!(keys::ENTRY.made, Made::Logic));
    assert_eq!((keys::ENTRY.codes)(&Values(&[])), Ok(128));
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 500,
        rng_seed: RngSeed::Fixed(33),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// Long sequences over 40 keys, more often down than up, so that the stack overflows.
    #[test]
    fn a_crowded_keyboard_agrees_with_a_plain_list(
        priority in 0..3_usize,
        events in proptest::collection::vec((20..60_u8, proptest::bool::weighted(0.7)), 0..300),
    ) {
        let priority = Priority::ALL[priority];
        let (mut keys, mut plain) = (Keys::new(priority), Plain::default());
        for (key, down) in events {
            step(&mut keys, &mut plain, priority, key, down);
        }
    }
}
