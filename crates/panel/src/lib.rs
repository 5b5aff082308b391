//! An example to copy: two oscillators of a user's own, and the tests that judge them.
//!
//! Both belong to panel 7 of the tide organ. [`SmoothRamp`] rounds its step over two samples
//! and keeps the requirement; [`HastyRamp`] is the first draft that did not. The requirement
//! itself is in `tests/panel.rs`.

/// A ramp whose step is rounded over the two samples around it.
#[derive(Clone, Debug)]
pub struct SmoothRamp {
    phase: u32,
    step: u32,
}

impl SmoothRamp {
    /// A note of `hz`, 0 to half of `rate_hz`.
    pub fn new(hz: f64, rate_hz: f64) -> Self {
        Self { phase: 0, step: (hz / rate_hz * 4_294_967_296.0).round() as u32 }
    }

    /// The next sample, −1 to 1.
    pub fn next_sample(&mut self) -> f32 {
        let now = self.phase;
        self.phase = now.wrapping_add(self.step);
        let ramp = (now as f32) * (2.0 / 4_294_967_296.0) - 1.0;
        if now < self.step {
            // Just after the step: d samples.
            let d = now as f32 / self.step as f32;
            ramp + (1.0 - d) * (1.0 - d)
        } else if self.phase < now {
            // Just before it: the rest of the cycle, in samples.
            let d = now.wrapping_neg() as f32 / self.step as f32;
            ramp - (1.0 - d) * (1.0 - d)
        } else {
            ramp
        }
    }
}

/// The first draft: a 16-bit phase, and a step as sharp as it comes.
#[derive(Clone, Debug)]
pub struct HastyRamp {
    phase: u16,
    step: u16,
}

impl HastyRamp {
    /// A note of `hz`, 0 to half of `rate_hz`.
    pub fn new(hz: f64, rate_hz: f64) -> Self {
        Self { phase: 0, step: (hz / rate_hz * 65_536.0).round() as u16 }
    }

    /// The next sample, full scale of 16 bits.
    pub fn next_sample(&mut self) -> i16 {
        let now = self.phase;
        self.phase = now.wrapping_add(self.step);
        (now ^ 0x8000) as i16
    }
}
