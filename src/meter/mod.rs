//! Converter chips, sampling and statistics.
