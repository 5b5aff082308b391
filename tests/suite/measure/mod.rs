//! Known answers for the instruments of `plumbtone-measure`.

mod aliasing;
mod audibility;
mod coherent;
mod difference;
mod harmonic;
mod level;
mod pitch;
mod psd;
mod reading;
mod signals;
mod window;
