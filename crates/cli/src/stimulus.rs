//! `plumbtone stimulus`.

use plumbtone::grade::filter;

use crate::{Outcome, args, output};

pub fn run(args: &args::Stimulus) -> Outcome {
    let signal = match args.signal {
        args::Signal::Sweep => filter::Signal::Sweep,
        args::Signal::Noise => filter::Signal::Noise,
    };
    let samples = filter::stimulus(signal, args.rate, args.seconds)?;
    output::sound(&args.output, &samples, args.rate, args.bits)?;
    Ok(true)
}
