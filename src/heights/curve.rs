//! stub
/// f
pub struct Form;
impl Form {
    /// n
    pub const NAMES: [&'static str; 1] = ["naslund"];
}
