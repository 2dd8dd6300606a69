//! Text for people: out, and into shape.

use super::args::Common;
use serde_json::Value;
use std::io::Write;
use std::path::Path;
use std::sync::OnceLock;

/// How this program was told which daemon is meant, to be said again in hints.
static FLAGS: OnceLock<String> = OnceLock::new();

/// Whether the name of the operator was given, and not taken from the log-in.
static NAMED: OnceLock<bool> = OnceLock::new();

/// Keeps what was given of config, address and trust.
pub(crate) fn remember(common: &Common) {
    let mut text = flags(common.config.as_deref(), common.address.as_deref(), common.ca.as_deref());
    if common.in_the_clear {
        text.push_str(" --in-the-clear");
    }
    FLAGS.set(text).ok();
    NAMED.set(common.operator.is_some()).ok();
}

/// Whether somebody said by `--as` who they are.
pub(crate) fn named_by_hand() -> bool {
    NAMED.get().copied().unwrap_or(false)
}

fn flags(config: Option<&Path>, address: Option<&str>, ca: Option<&Path>) -> String {
    let path = |path: Option<&Path>| path.map(|p| p.display().to_string());
    let given = [("--config", path(config)), ("--address", address.map(String::from)), ("--ca", path(ca))];
    given.into_iter().filter_map(|(flag, value)| Some((flag, value?))).fold(
        String::new(),
        |text, (flag, value)| {
            // As a shell takes it.
            let plain = value.bytes().all(|b| b.is_ascii_alphanumeric() || b"/._-:@+,=~".contains(&b));
            let value = if plain { value } else { format!("'{}'", value.replace('\'', "'\\''")) };
            format!("{text} {flag} {value}")
        },
    )
}

/// A command line to type: the flags that were given here are given again.
pub(crate) fn hint(verb: &str) -> String {
    format!("tankside{} {verb}", FLAGS.get().map_or("", String::as_str))
}

/// Writes to stdout. A reader who has gone (`| head`) is no error.
pub(crate) fn say(text: &str) {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes()).and_then(|()| out.flush()).ok();
}

/// One line to stdout.
pub(crate) fn line(text: impl AsRef<str>) {
    say(&format!("{}\n", text.as_ref()));
}

/// A time as people say it: `0.2 s`, `45 s`, `3 min 20 s`, `2 h 5 min`.
pub(crate) fn seconds(seconds: f64) -> String {
    if !seconds.is_finite() {
        return "ever so long".into();
    }
    let seconds = seconds.max(0.0);
    if seconds < 9.95 {
        let text = format!("{seconds:.1} s");
        return text.replace(".0 s", " s");
    }
    let whole = seconds.round() as u64;
    match whole {
        0..90 => format!("{whole} s"),
        90..5400 => format!("{} min {} s", whole / 60, whole % 60),
        _ => format!("{} h {} min", whole / 3600, whole % 3600 / 60),
    }
}

/// Lines of at most `width` characters; those after the first begin with `indent` spaces, those of the text itself too.
pub(crate) fn wrap(text: &str, indent: usize, width: usize) -> Vec<String> {
    if let Some((first, rest)) = text.split_once('\n') {
        let mut lines = wrap(first, indent, width);
        for line in rest.lines() {
            lines.extend(wrap(&format!("{}{}", " ".repeat(indent), line.trim_start()), indent, width));
        }
        return lines;
    }
    let lead = text.chars().take_while(|c| *c == ' ').count();
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut start = true;
    // The spaces of the first words are kept: they make the columns.
    for word in text[lead..].split_inclusive(' ') {
        let length = line.chars().count() + word.trim_end().chars().count();
        let begun = if lines.is_empty() { lead } else { indent };
        if start {
            line = " ".repeat(begun);
            start = false;
        } else if length > width {
            lines.push(line.trim_end().to_owned());
            line = " ".repeat(indent);
        }
        line.push_str(word);
    }
    if !line.trim().is_empty() {
        lines.push(line.trim_end().to_owned());
    }
    lines
}

/// A moment of the daemon's (RFC 3339 UTC) for people, who may not know what the Z means: to the second, and said to be
/// UTC.
pub(crate) fn when(moment: &Value) -> String {
    let text = moment.as_str().unwrap_or("?");
    match (text.get(..10), text.get(10..11), text.get(11..19), text.ends_with('Z')) {
        (Some(day), Some("T"), Some(time), true) => format!("{day} {time} UTC"),
        _ => text.to_owned(),
    }
}

/// Rows in columns, as wide as their widest cell; the last column is ragged.
pub(crate) fn table(rows: &[Vec<String>]) -> String {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widths: Vec<_> = (0..columns)
        .map(|c| rows.iter().filter_map(|r| r.get(c)).map(|cell| cell.chars().count()).max().unwrap_or(0))
        .collect();
    let mut out = String::new();
    for row in rows {
        let mut line = String::new();
        for (cell, width) in row.iter().zip(&widths) {
            line.push_str(cell);
            line.push_str(&" ".repeat(width - cell.chars().count() + 2));
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moment_is_said_to_be_utc_and_what_is_no_moment_stays_as_it_is() {
        assert_eq!(when(&"2026-11-26T03:22:33.963Z".into()), "2026-11-26 03:22:33 UTC");
        assert_eq!(when(&"2026-11-26T03:22:33Z".into()), "2026-11-26 03:22:33 UTC");
        for other in ["yesterday", "", "2026-11-26", "ää:2026-11-26T03:22:33Z"] {
            assert_eq!(when(&other.into()), other);
        }
        assert_eq!(when(&Value::Null), "?");
    }

    #[test]
    fn hint_gives_the_flags_again_as_a_shell_takes_them() {
        assert_eq!(flags(None, None, None), "");
        assert_eq!(flags(Some(Path::new("/etc/t.toml")), None, None), " --config /etc/t.toml");
        let odd = flags(Some(Path::new("my bench/jo's.toml")), Some("127.0.0.1:9"), None);
        assert_eq!(odd, r" --config 'my bench/jo'\''s.toml' --address 127.0.0.1:9");
    }

    #[test]
    fn times_read_as_people_say_them() {
        for (given, wanted) in [
            (0.0, "0 s"),
            (0.24, "0.2 s"),
            (9.99, "10 s"),
            (89.6, "1 min 30 s"),
            (200.0, "3 min 20 s"),
            (7500.0, "2 h 5 min"),
            (-1.0, "0 s"),
        ] {
            assert_eq!(seconds(given), wanted);
        }
    }

    #[test]
    fn wrapped_lines_keep_to_the_width_and_lose_no_word() {
        let text = "! do        Look for a loose or dirty clip and a part that fell off";
        let lines = wrap(text, 12, 40);
        assert!(lines.iter().all(|l| l.chars().count() <= 40), "{lines:?}");
        assert!(
            lines[0].starts_with("! do        Look") && lines[1].starts_with("            "),
            "{lines:?}"
        );
        let words = |t: &str| t.split_whitespace().map(String::from).collect::<Vec<_>>();
        assert_eq!(words(&lines.join(" ")), words(text));
        assert!(wrap("", 2, 10).is_empty());
    }

    #[test]
    fn a_text_of_several_lines_keeps_them_below_its_own_column() {
        let text = "! well?     cannot open the port\n  try: is the supply on?\n  try: close other programs";
        let wanted = [
            "! well?     cannot open the port",
            "            try: is the supply on?",
            "            try: close other programs",
        ];
        assert_eq!(wrap(text, 12, 80), wanted);
    }

    #[test]
    fn table_lines_up_characters_not_bytes() {
        let rows = [["µm", "x"], ["long", "y"]].map(|r| r.map(String::from).to_vec());
        assert_eq!(table(&rows), "µm    x\nlong  y\n");
    }
}
