//! Voice DSP for small cores: every module as a float and a fixed-point twin.
