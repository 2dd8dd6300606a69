//! The terminal's small trend.

const BLOCKS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// Values, oldest first, as one line of at most `width` block characters, each
/// as high as the mean of its share of the values over `top`; a space where a
/// value is not a number. Empty when there is nothing to show.
pub fn trend(values: &[f64], top: f64, width: usize) -> String {
    let columns = width.min(values.len());
    (0..columns)
        .map(|column| {
            let from = column * values.len() / columns;
            let to = ((column + 1) * values.len() / columns).max(from + 1);
            let share = &values[from..to];
            let mean = share.iter().sum::<f64>() / share.len() as f64;
            if !mean.is_finite() {
                return ' ';
            }
            let height = if top > 0.0 { (mean / top).clamp(0.0, 1.0) } else { 0.0 };
            BLOCKS[((height * 8.0) as usize).min(7)]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rise_is_seen_and_the_line_is_never_wider_than_asked() {
        let rise: Vec<_> = (0..=300).map(f64::from).collect();
        let line = trend(&rise, 300.0, 8);
        assert_eq!(line, "▁▂▃▄▅▆▇█");
        assert_eq!(trend(&[1.0, 2.0], 2.0, 40).chars().count(), 2);
    }

    #[test]
    fn nothing_flat_zero_and_nan_do_not_panic() {
        assert_eq!(trend(&[], 1.0, 10), "");
        assert_eq!(trend(&[0.0, 0.0], 0.0, 10), "▁▁");
        assert_eq!(trend(&[f64::NAN, 5.0], 1.0, 10), " █");
        assert_eq!(trend(&[1.0], 1.0, 0), "");
    }
}
