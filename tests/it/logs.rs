//! Logs of a cruise.
