//! stub
/// f
pub struct RegionalSet;
