//! Known answers for the instruments of `plumbtone-measure`.

mod aliasing;
mod audibility;
mod coherent;
mod decay;
mod difference;
mod envelope;
mod exponential;
mod glide;
mod harmonic;
mod images;
mod law;
mod level;
mod low_frequency;
mod modulation;
mod onset;
mod pitch;
mod psd;
mod reading;
mod scaling;
mod signals;
mod stages;
mod steps;
mod window;
