//! `--set NAME=VALUE`.

use plumbtone::settings::read as number;
use plumbtone::voice::registry::{HZ, WIDTH};
use plumbtone::voice::{Entry, Parameter, Setup, Shape};

use crate::fault::Fault;

/// What `--set` can say.
#[derive(Default)]
pub struct Settings {
    pub hz: Option<f64>,
    pub shape: Option<Shape>,
    pub width: Option<f64>,
    taps: Option<f64>,
    oversampling: Option<f64>,
    length: Option<f64>,
    seed: Option<f64>,
}

impl Settings {
    /// Reads settings of one module: its parameters, and `shape` where it has shapes.
    ///
    /// # Errors
    /// An unknown name, or a value out of range.
    pub fn of_module(entry: &Entry, set: &[String]) -> Result<Self, Fault> {
        Self::read(&format!("module `{}`", entry.name), entry.parameters, entry.shapes, set)
    }

    /// Reads settings of a recording.
    ///
    /// # Errors
    /// As [`Settings::of_module`].
    pub fn of_recording(set: &[String]) -> Result<Self, Fault> {
        Self::read("a recording", &[HZ, WIDTH], &Shape::ALL, set)
    }

    fn read(
        whose: &str,
        parameters: &[Parameter],
        shapes: &[Shape],
        set: &[String],
    ) -> Result<Self, Fault> {
        let mut settings = Self::default();
        for text in set {
            let Some((name, value)) = text.split_once('=') else {
                return Err(Fault::new(format!("--set {text}: give NAME=VALUE, such as hz=220")));
            };
            if name == "shape" && !shapes.is_empty() {
                settings.shape = Some(shape(whose, shapes, value)?);
                continue;
            }
            let Some(parameter) = parameters.iter().find(|parameter| parameter.name == name) else {
                let shape = (!shapes.is_empty()).then_some("shape");
                let names = shape.into_iter().chain(parameters.iter().map(|p| p.name));
                let names = names.collect::<Vec<_>>().join(", ");
                return Err(Fault::new(format!(
                    "{whose} has no parameter `{name}`: choose from {names}"
                )));
            };
            let number = number(parameter, name, value)?;
            let field = match name {
                "hz" => &mut settings.hz,
                "width" => &mut settings.width,
                "taps" => &mut settings.taps,
                "oversampling" => &mut settings.oversampling,
                "length" => &mut settings.length,
                "seed" => &mut settings.seed,
                _ => return Err(Fault::new(format!("`{name}` cannot be set from here"))),
            };
            *field = Some(number);
        }
        Ok(settings)
    }

    /// The settings that hold from construction on.
    pub fn setup(&self) -> Setup {
        let default = Setup::default();
        let whole = |value: Option<f64>, default: usize| value.map_or(default, |v| v as usize);
        Setup {
            taps: whole(self.taps, default.taps),
            oversampling: whole(self.oversampling, default.oversampling),
            length: whole(self.length, default.length),
            seed: self.seed.map_or(default.seed, |seed| seed as u32),
            ..default
        }
    }
}

fn shape(whose: &str, shapes: &[Shape], name: &str) -> Result<Shape, Fault> {
    let found = Shape::from_name(name).filter(|shape| shapes.contains(shape));
    found.ok_or_else(|| {
        let names: Vec<_> = shapes.iter().map(|shape| shape.name()).collect();
        let names = names.join(", ");
        Fault::new(format!("shape = {name}: {whose} takes {names}"))
    })
}
