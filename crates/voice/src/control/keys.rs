//! Held keys of a monophonic voice: which one sounds, and whether the change is legato.
//!
//! | | |
//! |---|---|
//! | Source  | note priority low, high or last (common practice) |
//! | Units   | key numbers, 69 = A4; pitch in octaves from A4, 12 keys to the octave |
//! | float   | integers only: one twin for both |
//! | fixed   | pitch Q6.26, the nearest (≤ ½ LSB, 9e-6 cent) |
//! | Usable  | 16 keys at a time; a 17th displaces the one that would sound last |
//! | Checked | `tests/suite/keys.rs::every_short_sequence_agrees_with_a_plain_list` |

use fixed::types::I6F26;

use crate::contours::KeyEvent;
use crate::control::{ControlEntry, Made};
use crate::error::RangeError;
use crate::parameter::{Parameter, Values};

/// How the bench finds this module.
pub const ENTRY: ControlEntry = ControlEntry {
    name: "keys",
    file: "control/keys.rs",
    summary: "held keys with note priority low, high or last",
    parameters: &[PRIORITY],
    unit: "key",
    codes: |values| Priority::from_values(values).map(|_| 128),
    made: Made::Logic,
};

/// Which of the held keys sounds.
pub const PRIORITY: Parameter = Parameter::choice("priority", &["low", "high", "last"]);

/// How many keys are remembered.
pub const CAPACITY: usize = 16;

/// Which of the held keys sounds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Priority {
    /// The lowest.
    #[default]
    Low,
    /// The highest.
    High,
    /// The one pressed last.
    Last,
}

impl Priority {
    /// All priorities, in the order of their words in [`PRIORITY`].
    pub const ALL: [Self; 3] = [Self::Low, Self::High, Self::Last];

    /// Takes the setting by name.
    ///
    /// # Errors
    /// `priority` out of range.
    pub fn from_values(values: &Values<'_>) -> Result<Self, RangeError> {
        Ok(Self::ALL[values.choice(&PRIORITY)?])
    }
}

/// What a key changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    /// What sounds goes on.
    Nothing,
    /// Another key sounds from now on.
    Sounds {
        /// Its number.
        key: u8,
        /// Whether another key sounded up to now.
        legato: bool,
    },
    /// The last key was let go.
    Silence,
}

impl Change {
    /// The event for the contours, if there is one.
    pub fn event(self) -> Option<KeyEvent> {
        match self {
            Self::Nothing => None,
            Self::Sounds { key, legato } => Some(KeyEvent::Down { octaves: octaves(key), legato }),
            Self::Silence => Some(KeyEvent::Up),
        }
    }
}

/// Pitch of a key in equal temperament, octaves from A4.
pub fn octaves(key: u8) -> I6F26 {
    // Q: nearest multiple of 2^-26; half of 12 added before the floor.
    I6F26::from_bits((((i64::from(key) - 69) << 26) + 6).div_euclid(12) as i32)
}

/// The keys that are held.
#[derive(Clone, Debug)]
pub struct Keys {
    priority: Priority,
    /// In the order of their turn: the last one sounds.
    held: [u8; CAPACITY],
    count: usize,
}

impl Keys {
    /// Starts with no key held.
    pub const fn new(priority: Priority) -> Self {
        Self { priority, held: [0; CAPACITY], count: 0 }
    }

    /// The key that sounds.
    pub fn sounding(&self) -> Option<u8> {
        self.held[..self.count].last().copied()
    }

    /// A key is pressed.
    ///
    /// A key that is held already counts as pressed just now, but does not sound anew. With 16
    /// keys held, the one that would sound last is forgotten, and if that is the new one, nothing
    /// changes; letting go of it later does nothing.
    pub fn down(&mut self, key: u8) -> Change {
        let before = self.sounding();
        self.remove(key);
        let held = &self.held[..self.count];
        let mut turn = match self.priority {
            Priority::Low => held.iter().filter(|other| **other > key).count(),
            Priority::High => held.iter().filter(|other| **other < key).count(),
            Priority::Last => self.count,
        };
        if self.count == CAPACITY {
            if turn == 0 {
                return Change::Nothing;
            }
            self.held.copy_within(1..turn, 0);
            turn -= 1;
        } else {
            self.held.copy_within(turn..self.count, turn + 1);
            self.count += 1;
        }
        self.held[turn] = key;
        self.change(before)
    }

    /// A key is let go. One that is not held, or was forgotten, changes nothing.
    pub fn up(&mut self, key: u8) -> Change {
        let before = self.sounding();
        self.remove(key);
        self.change(before)
    }

    fn remove(&mut self, key: u8) {
        if let Some(turn) = self.held[..self.count].iter().position(|other| *other == key) {
            self.held.copy_within(turn + 1..self.count, turn);
            self.count -= 1;
        }
    }

    fn change(&self, before: Option<u8>) -> Change {
        match self.sounding() {
            now if now == before => Change::Nothing,
            Some(key) => Change::Sounds { key, legato: before.is_some() },
            None => Change::Silence,
        }
    }
}
