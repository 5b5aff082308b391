//! The house style for charts: plain data in, SVG and PNG out.
