//! The integration suite of the workspace: one binary, one module per subject.

mod anchors;
mod blocks;
mod common;
mod errors;
mod fixed_point;
mod grade;
mod house;
mod lines;
mod measure;
mod modulation;
mod noise;
mod planted;
mod ranges;
mod sine;
mod sync;
mod theory;
mod user;
