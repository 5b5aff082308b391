//! Standard MIDI files (Standard MIDI Files 1.0, 1996; from memory).

use midly::{Format, MetaMessage, MidiMessage, Smf, Timing, TrackEventKind};
use plumbtone_voice::{Event, Rate};

use super::score::{LONGEST_S, Score, TAIL_S};
use crate::error::Error;

/// Microseconds per beat until a tempo is set.
const TEMPO: u32 = 500_000;

pub(super) fn read(bytes: &[u8], name: &str, rate_hz: u32) -> Result<Score, Error> {
    let fail = |message: &str| Error::Score {
        score: name.to_owned(),
        line: None,
        message: message.to_owned(),
    };
    let rate = Rate::new(rate_hz)?;
    // -128 frames a second do not exist, and the parser would overflow in negating them.
    if !bytes.starts_with(b"MThd") || bytes.get(12) == Some(&0x80) {
        return Err(fail("is damaged (header): export it again as a standard MIDI file"));
    }
    let smf = Smf::parse(bytes).map_err(|error| {
        fail(&format!("is damaged ({error}): export it again as a standard MIDI file"))
    })?;
    if smf.header.format == Format::Sequential {
        return Err(fail("holds several songs (format 2): export one, as format 0 or 1"));
    }
    let mut clock = Clock::new(smf.header.timing, rate)
        .ok_or_else(|| fail("states no time division: export it again"))?;
    let mut merged: Vec<(u64, TrackEventKind<'_>)> = Vec::new();
    for track in &smf.tracks {
        let mut ticks = 0;
        for event in track {
            ticks += u64::from(event.delta.as_int());
            merged.push((ticks, event.kind));
        }
    }
    // Stable: at one tick, tracks keep their order.
    merged.sort_by_key(|(ticks, _)| *ticks);
    let mut score = Score::new(rate_hz, 0);
    let mut held: Vec<u8> = Vec::new();
    for (ticks, kind) in merged {
        clock.advance(ticks);
        let sample = clock.sample();
        if sample as f64 > LONGEST_S * f64::from(rate.hz()) {
            return Err(fail(&format!("is longer than {LONGEST_S} s: cut it")));
        }
        match kind {
            TrackEventKind::Meta(MetaMessage::Tempo(tempo)) => clock.tempo(tempo.as_int()),
            TrackEventKind::Midi { message, .. } => {
                for event in events(message, &mut held) {
                    score.events.push((sample, event));
                }
            }
            _ => {}
        }
    }
    let Some((last, _)) = score.events.last() else {
        return Err(fail("holds no notes and no controls that a panel has"));
    };
    score.length = last + (TAIL_S * f64::from(rate.hz())).round() as usize;
    Ok(score)
}

/// What a message means to a one-voice panel.
fn events(message: MidiMessage, held: &mut Vec<u8>) -> Vec<Event> {
    match message {
        // By the specification velocity 0 is a key let go.
        MidiMessage::NoteOn { key, vel } if vel.as_int() > 0 => {
            held.push(key.as_int());
            vec![Event::Down { key: key.as_int() }]
        }
        MidiMessage::NoteOn { key, .. } | MidiMessage::NoteOff { key, .. } => {
            held.retain(|other| *other != key.as_int());
            vec![Event::Up { key: key.as_int() }]
        }
        MidiMessage::PitchBend { bend } => vec![Event::Bend { code: bend.0.as_int() }],
        MidiMessage::Controller { controller, value } => {
            let value = u16::from(value.as_int());
            match controller.as_int() {
                // 7 bits over 14: 127 is the last code.
                7 => vec![Event::Level { code: (value << 7) | value }],
                // 7 bits over 14: 64 is the code at rest.
                74 => vec![Event::Cutoff { code: value << 7 }],
                120 | 123 => held.drain(..).map(|key| Event::Up { key }).collect(),
                _ => Vec::new(),
            }
        }
        _ => Vec::new(),
    }
}

/// Ticks to samples, without rounding in between.
struct Clock {
    rate_hz: u128,
    /// The unit of `elapsed` is a second over this.
    per_second: u128,
    /// What a tick adds to `elapsed`.
    per_tick: u128,
    /// Whether a tempo counts: not where ticks divide a second.
    metrical: bool,
    ticks: u64,
    elapsed: u128,
}

impl Clock {
    fn new(timing: Timing, rate: Rate) -> Option<Self> {
        let (per_second, per_tick, metrical) = match timing {
            // Ticks of so many to a beat, a beat of so many microseconds.
            Timing::Metrical(per_beat) => {
                (u128::from(per_beat.as_int()) * 1_000_000, TEMPO.into(), true)
            }
            Timing::Timecode(fps, subframes) => {
                // 29 stands for 30 000 frames in 1001 s.
                let (frames, seconds) = match fps.as_int() {
                    29 => (30_000, 1001),
                    whole => (u128::from(whole), 1),
                };
                (frames * u128::from(subframes), seconds, false)
            }
        };
        let rate_hz = rate.hz().into();
        (per_second > 0).then_some(Self {
            rate_hz,
            per_second,
            per_tick,
            metrical,
            ticks: 0,
            elapsed: 0,
        })
    }

    fn advance(&mut self, ticks: u64) {
        self.elapsed += u128::from(ticks - self.ticks) * self.per_tick;
        self.ticks = ticks;
    }

    fn tempo(&mut self, microseconds_per_beat: u32) {
        if self.metrical {
            self.per_tick = microseconds_per_beat.into();
        }
    }

    /// The nearest sample.
    fn sample(&self) -> usize {
        ((2 * self.elapsed * self.rate_hz + self.per_second) / (2 * self.per_second)) as usize
    }
}
