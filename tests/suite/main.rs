//! The integration suite of the workspace: one binary, one module per subject.

mod measure;
mod theory;
