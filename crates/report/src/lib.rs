//! Plots, HTML, JSON and JUnit from the results of a run.
