//! Closed forms and reference tables that readings are held against.
