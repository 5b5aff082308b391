//! The integration suite of the workspace: one binary, one module per subject.

mod grade;
mod measure;
mod theory;
mod user;
