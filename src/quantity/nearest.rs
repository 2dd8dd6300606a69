//! The name that was probably meant.

/// The one of `names` that `name` is most likely meant for: at most a third of
/// its letters wrong (swapped neighbours counted once), or else the only one
/// that begins with it or that it begins with, from four letters up.
pub fn nearest<'n>(name: &str, names: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    let names: Vec<_> = names.into_iter().collect();
    let most = (name.chars().count() / 3).max(1);
    let slip = names
        .iter()
        .map(|candidate| (slips(name, candidate), *candidate))
        .filter(|(d, _)| *d <= most)
        .min_by_key(|(d, _)| *d);
    if let Some((_, candidate)) = slip {
        return Some(candidate);
    }
    let mut begun = names.into_iter().filter(|candidate| {
        name.len().min(candidate.len()) >= 4 && (candidate.starts_with(name) || name.starts_with(candidate))
    });
    begun.next().filter(|_| begun.next().is_none())
}

/// Letters to add, drop, change or swap with their neighbour (optimal string alignment).
fn slips(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) =
        (a.to_lowercase().chars().collect(), b.to_lowercase().chars().collect());
    let mut rows = vec![(0..=b.len()).collect::<Vec<_>>()];
    for i in 1..=a.len() {
        let mut row = vec![i];
        for j in 1..=b.len() {
            let changed = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut best = changed.min(rows[i - 1][j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            row.push(best);
        }
        rows.push(row);
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nearest_takes_slips_and_not_other_words() {
        let names = ["max-current", "max-voltage", "baud", "port"];
        assert_eq!(nearest("max-curent", names), Some("max-current"));
        assert_eq!(nearest("buad", names), Some("baud"));
        assert_eq!(nearest("Port", names), Some("port"));
        assert_eq!(nearest("identity", names), None);
        assert_eq!(nearest("ports-and-more", names), Some("port"));
        assert_eq!(nearest("max-", names), None, "two begin like that");
    }
}
