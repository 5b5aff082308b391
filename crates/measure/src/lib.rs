//! Instruments: samples in, readings with uncertainty out.
