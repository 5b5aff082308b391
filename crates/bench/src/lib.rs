//! The bench: subjects, stimuli, plans, limits and verdicts; add it as a dev-dependency.
