//! The text form of a score.

use plumbtone_voice::{Event, Rate};

use super::score::{LONGEST_S, Score, TAIL_S};
use crate::error::Error;

/// The largest code of a wheel or a control.
const LAST_CODE: u16 = 16_383;
const LAST_KEY: u16 = 127;

pub(super) fn read(text: &str, name: &str, rate_hz: u32) -> Result<Score, Error> {
    let rate_hz_f64 = f64::from(Rate::new(rate_hz)?.hz());
    let sample = |seconds: f64| (seconds * rate_hz_f64).round() as usize;
    let mut score = Score::new(rate_hz, 0);
    let (mut latest, mut end) = (0.0_f64, None);
    for (index, line) in text.lines().enumerate() {
        let fail = |message: String| Error::Score {
            score: name.to_owned(),
            line: Some(index + 1),
            message,
        };
        let line = line.split('#').next().unwrap_or_default();
        let words: Vec<&str> = line.split_whitespace().collect();
        let Some((&time, rest)) = words.split_first() else { continue };
        if end.is_some() {
            return Err(fail("comes after the end: move `end` to the last line".to_owned()));
        }
        let seconds = seconds(time).map_err(fail)?;
        if seconds < latest {
            return Err(fail(format!("{seconds} s goes back behind {latest} s: sort the lines")));
        }
        latest = seconds;
        if rest == ["end"] {
            if sample(seconds) == 0 {
                return Err(fail("ends before it begins: give the end in s".to_owned()));
            }
            end = Some(sample(seconds));
        } else {
            score.events.push((sample(seconds), event(rest).map_err(fail)?));
        }
    }
    if score.events.is_empty() {
        let message = "holds no events: write lines such as `0 down 69`".to_owned();
        return Err(Error::Score { score: name.to_owned(), line: None, message });
    }
    score.length = end.unwrap_or_else(|| sample(latest + TAIL_S));
    Ok(score)
}

fn seconds(text: &str) -> Result<f64, String> {
    let seconds = text.parse().ok().filter(|seconds| (0.0..=LONGEST_S).contains(seconds));
    seconds.ok_or_else(|| format!("`{text}` is no time: give 0 to {LONGEST_S} s"))
}

fn event(words: &[&str]) -> Result<Event, String> {
    const KINDS: &str = "down, up, bend, level, cutoff, end";
    let (what, value) = match words {
        [what, value] => (*what, *value),
        [what] => (*what, ""),
        [] => return Err(format!("says no event: choose from {KINDS}")),
        [_, _, more, ..] => return Err(format!("`{more}` is one word too many")),
    };
    let number = |last: u16| {
        let number: Option<u16> = value.parse().ok().filter(|number| *number <= last);
        number.ok_or_else(|| format!("{what} `{value}`: give a whole number, 0 to {last}"))
    };
    Ok(match what {
        "down" => Event::Down { key: number(LAST_KEY)? as u8 },
        "up" => Event::Up { key: number(LAST_KEY)? as u8 },
        "bend" => Event::Bend { code: number(LAST_CODE)? },
        "level" => Event::Level { code: number(LAST_CODE)? },
        "cutoff" => Event::Cutoff { code: number(LAST_CODE)? },
        "end" => return Err("`end` takes no value".to_owned()),
        _ => return Err(format!("`{what}` is no event: choose from {KINDS}")),
    })
}
