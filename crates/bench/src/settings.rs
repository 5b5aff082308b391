//! Settings of a module by name: read from text, held against its ranges, printed again.

use std::fmt;

use plumbtone_voice::parameter::{Parameter, Values};
use plumbtone_voice::registry::{About, all};

use crate::error::Error;

/// Figures by parameter name, in the order in which they were given. Choices are held as the
/// index of their word; what is not named keeps its default.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settings {
    /// What the whole set is called, where it has a name of its own.
    called: Option<String>,
    pairs: Vec<(String, f64)>,
    /// As written: words for choices.
    words: Vec<String>,
}

impl Settings {
    /// Nothing is said: every parameter keeps its default.
    pub fn new() -> Self {
        Self::default()
    }

    /// One more setting, `value` in the parameter's unit or one of its words.
    ///
    /// # Errors
    /// A name that the module does not have, or a value out of its range.
    pub fn set(
        &mut self,
        whose: &str,
        parameters: &[Parameter],
        name: &str,
        value: &str,
    ) -> Result<(), Error> {
        let parameter = find(parameters, name).ok_or_else(|| {
            let names: Vec<String> = parameters.iter().map(shown_name).collect();
            let names = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
            Error::Request(format!("{whose} has no parameter `{name}`: choose from {names}"))
        })?;
        let number = read(parameter, name, value)?;
        // What was changed is no longer what the name stands for.
        self.called = None;
        self.pairs.push((name.to_owned(), number));
        self.words.push(value.trim().to_owned());
        Ok(())
    }

    /// The same under a name, which stands for all of them in reports.
    #[must_use]
    pub fn called(self, name: &str) -> Self {
        Self { called: Some(name.to_owned()), ..self }
    }

    /// Settings of a module as text: `attack=0.01 restart=legato`.
    ///
    /// # Errors
    /// As [`Settings::set`]; also a module that does not exist, or a word without `=`.
    pub fn parse(module: &str, text: &str) -> Result<Self, Error> {
        Self::new().with(module, text)
    }

    /// The same and more; what is said again replaces what was said before.
    ///
    /// # Errors
    /// As [`Settings::parse`].
    pub fn with(&self, module: &str, text: &str) -> Result<Self, Error> {
        let about = about(module)?;
        let mut settings = self.clone();
        for word in text.split_whitespace() {
            let (name, value) = word.split_once('=').ok_or_else(|| {
                Error::Request(format!("setting `{word}`: give NAME=VALUE, such as attack=0.01"))
            })?;
            settings.set(&format!("module `{module}`"), about.parameters, name, value)?;
        }
        Ok(settings)
    }

    /// The value in force.
    ///
    /// # Errors
    /// None for settings made by [`Settings::set`] with the same parameters.
    pub fn value(&self, parameter: &Parameter) -> Result<f64, Error> {
        self.lend(|values| Ok(values.of(parameter)?))
    }

    /// Lends the figures in the form that the voice crate takes.
    pub fn lend<T>(&self, f: impl FnOnce(&Values<'_>) -> T) -> T {
        let pairs: Vec<(&str, f64)> =
            self.pairs.iter().map(|(name, value)| (name.as_str(), *value)).collect();
        f(&Values(&pairs))
    }

    /// `attack=0.01 restart=legato`, or `defaults`.
    pub fn text(&self) -> String {
        if self.pairs.is_empty() {
            return "defaults".to_owned();
        }
        let pairs = self.pairs.iter().zip(&self.words);
        pairs.map(|((name, _), word)| format!("{name}={word}")).collect::<Vec<_>>().join(" ")
    }

    /// Whether nothing is said.
    pub fn is_empty(&self) -> bool {
        self.pairs.is_empty()
    }
}

impl fmt::Display for Settings {
    /// The name of the set, or all of it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.called {
            Some(name) => f.write_str(name),
            None => f.write_str(&self.text()),
        }
    }
}

/// The module of that name, whatever its family.
///
/// # Errors
/// [`Error::Unknown`] with the names there are.
pub fn about(module: &str) -> Result<About, Error> {
    all().find(|about| about.name == module).ok_or_else(|| Error::Unknown {
        kind: "module",
        name: module.to_owned(),
        choices: all().map(|about| about.name).collect::<Vec<_>>().join(", "),
    })
}

/// `time-1, time-2, ...` for a parameter that every point has, else its name.
pub fn shown_name(parameter: &Parameter) -> String {
    let name = parameter.name;
    if parameter.per_point { format!("{name}-1, {name}-2, ...") } else { name.to_owned() }
}

/// The values that a parameter takes, in words: "0 to 1 s, default 0.5".
pub fn shown_range(parameter: &Parameter) -> String {
    let Parameter { unit, min, max, default, choices, .. } = *parameter;
    match choices {
        [] if unit.is_empty() => format!("{min} to {max}, default {default}"),
        [] => format!("{min} to {max} {unit}, default {default}"),
        words => words.join(", "),
    }
}

fn find<'a>(parameters: &'a [Parameter], name: &str) -> Option<&'a Parameter> {
    parameters.iter().find(|parameter| {
        if !parameter.per_point {
            return parameter.name == name;
        }
        let number = name.strip_prefix(parameter.name).and_then(|rest| rest.strip_prefix('-'));
        number.and_then(|number| number.parse().ok()).is_some_and(|n: usize| (1..=16).contains(&n))
    })
}

/// Reads a number, or one of the words of a choice.
pub fn read(parameter: &Parameter, name: &str, text: &str) -> Result<f64, Error> {
    let Parameter { unit, min, max, choices, whole, .. } = *parameter;
    let text = text.trim();
    if !choices.is_empty() {
        let found = choices.iter().position(|word| *word == text);
        return found.map(|index| index as f64).ok_or_else(|| {
            Error::Request(format!("{name} = {text}: choose from {}", choices.join(", ")))
        });
    }
    let refuse = |what: &str| {
        let range = format!("give {min} to {max} {unit}");
        Error::Request(format!("{name} = {text} is {what}: {}", range.trim_end()))
    };
    let value: f64 = text.parse().map_err(|_| refuse("not a number"))?;
    if !(min..=max).contains(&value) {
        return Err(refuse("out of range"));
    }
    if whole && value.fract() != 0.0 { Err(refuse("not a whole number")) } else { Ok(value) }
}
