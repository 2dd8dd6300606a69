//! What hangs on the bar.
//!
//! What the room is for: the area of shapes, which surfaces count, how many
//! parts, what rack and tips take. What it may not know: baths, current.
