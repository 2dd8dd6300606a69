//! (being written)
/// Settings of the watches.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settings {}
