//! Reads Rust as words and signs: enough to see paths, attributes and items, no more.

/// A word or a sign of Rust, with its line.
#[derive(Clone, Debug)]
pub struct Token {
    /// The word, the sign, or `"` and the content of a string.
    pub text: String,
    /// Counted from 1.
    pub line: usize,
}

/// Cuts Rust into words and signs. Comments vanish; a string becomes `"`
/// followed by its content, so that `feature = "daemon"` can be told.
pub fn tokens(text: &str) -> Vec<Token> {
    let c: Vec<char> = text.chars().collect();
    let at = |i: usize| c.get(i).copied().unwrap_or('\0');
    let (mut i, mut line, mut out) = (0, 1, Vec::new());
    while i < c.len() {
        let start_line = line;
        let begin = i;
        let word = |x: char| x.is_alphanumeric() || x == '_';
        if at(i) == '/' && at(i + 1) == '/' {
            while i < c.len() && at(i) != '\n' {
                i += 1;
            }
        } else if at(i) == '/' && at(i + 1) == '*' {
            let mut deep = 0;
            loop {
                match (at(i), at(i + 1)) {
                    ('/', '*') => (deep, i) = (deep + 1, i + 2),
                    ('*', '/') => (deep, i) = (deep - 1, i + 2),
                    _ => i += 1,
                }
                if deep == 0 || i >= c.len() {
                    break;
                }
            }
        } else if let Some((open, hashes)) = raw_string(&c, i) {
            i = open;
            let close: String = std::iter::once('"').chain(std::iter::repeat_n('#', hashes)).collect();
            while i < c.len() && !c[i..].starts_with(&close.chars().collect::<Vec<_>>()) {
                i += 1;
            }
            i += close.len();
            out.push(Token { text: "\"".into(), line: start_line });
        } else if at(i) == '"' {
            i += 1;
            while i < c.len() && at(i) != '"' {
                i += if at(i) == '\\' { 2 } else { 1 };
            }
            i += 1;
            let content: String = c[begin..(i - 1).min(c.len())].iter().collect();
            out.push(Token { text: content, line: start_line });
        } else if at(i) == '\'' {
            // A character is closed by a quote one (or an escape) further on; a lifetime is not.
            if at(i + 1) == '\\' {
                i += 3;
                while i < c.len() && at(i) != '\'' {
                    i += 1;
                }
                i += 1;
            } else if at(i + 2) == '\'' {
                i += 3;
            } else {
                i += 1;
                while word(at(i)) {
                    i += 1;
                }
            }
        } else if word(at(i)) {
            while word(at(i)) {
                i += 1;
            }
            out.push(Token { text: c[begin..i].iter().collect(), line: start_line });
        } else if at(i) == ':' && at(i + 1) == ':' {
            i += 2;
            out.push(Token { text: "::".into(), line: start_line });
        } else {
            if !at(i).is_whitespace() {
                out.push(Token { text: at(i).to_string(), line: start_line });
            }
            i += 1;
        }
        line += c[begin..i.min(c.len())].iter().filter(|x| **x == '\n').count();
    }
    out
}

/// If a raw string opens at `i`: where its content begins, and how many hashes close it.
fn raw_string(c: &[char], i: usize) -> Option<(usize, usize)> {
    let at = |i: usize| c.get(i).copied().unwrap_or('\0');
    let before = if i == 0 { '\0' } else { at(i - 1) };
    if before.is_alphanumeric() || before == '_' {
        return None;
    }
    let r = if at(i) == 'b' { i + 1 } else { i };
    if at(r) != 'r' {
        return None;
    }
    let hashes = (r + 1..).take_while(|k| at(*k) == '#').count();
    (at(r + 1 + hashes) == '"').then_some((r + 2 + hashes, hashes))
}

/// Whether an attribute's inner tokens say "only in tests".
pub fn is_test(attribute: &[Token]) -> bool {
    let words: Vec<&str> = attribute.iter().map(|t| t.text.as_str()).collect();
    words == ["test"]
        || words.starts_with(&["cfg", "(", "test"])
        || words.starts_with(&["cfg", "(", "all", "(", "test"])
}

/// Whether an attribute's inner tokens say "only in the daemon".
pub fn is_daemon(attribute: &[Token]) -> bool {
    let words: Vec<&str> = attribute.iter().map(|t| t.text.as_str()).collect();
    words.starts_with(&["cfg", "(", "feature", "=", "\"daemon"])
        || words.starts_with(&["cfg", "(", "all", "(", "feature", "=", "\"daemon"])
}

/// Skips the outer attributes at `at`; returns where the item begins, and whether `test` held for one.
pub fn attributes(code: &[Token], mut at: usize, test: fn(&[Token]) -> bool) -> (usize, bool) {
    let mut hit = false;
    while code.get(at).is_some_and(|t| t.text == "#") && code.get(at + 1).is_some_and(|t| t.text == "[") {
        let end = matching(code, at + 1);
        hit |= test(&code[at + 2..end]);
        at = end + 1;
    }
    (at.min(code.len()), hit)
}

/// Index of the bracket that closes the one at `open` (or the last token).
fn matching(code: &[Token], open: usize) -> usize {
    let mut deep = 0;
    for (i, token) in code.iter().enumerate().skip(open) {
        match token.text.as_str() {
            "(" | "[" | "{" => deep += 1,
            ")" | "]" | "}" => {
                deep -= 1;
                if deep == 0 {
                    return i;
                }
            }
            _ => {}
        }
    }
    code.len() - 1
}

/// One past the end of the item, field or statement that begins at `at`.
pub fn item_end(code: &[Token], mut at: usize) -> usize {
    let keyword =
        code[at..].iter().find(|t| !matches!(t.text.as_str(), "pub" | "(" | ")" | "crate" | "super" | "in"));
    let is_use = keyword.is_some_and(|t| t.text == "use");
    while at < code.len() {
        match code[at].text.as_str() {
            ";" | "," => return at + 1,
            "{" if is_use => at = matching(code, at) + 1,
            "{" => return matching(code, at) + 1,
            "(" | "[" => at = matching(code, at) + 1,
            ")" | "]" | "}" => return at,
            _ => at += 1,
        }
    }
    at
}

/// The tokens without the items under an attribute for which `test` holds.
pub fn without(code: &[Token], test: fn(&[Token]) -> bool) -> Vec<Token> {
    let mut out = Vec::new();
    let mut at = 0;
    while at < code.len() {
        let (after, hit) = attributes(code, at, test);
        if hit {
            at = item_end(code, after);
        } else {
            let upto = after.max(at + 1);
            out.extend_from_slice(&code[at..upto]);
            at = upto;
        }
    }
    out
}

/// Every path that the code writes, groups spelled out: `a::{b, c::d}` gives `a::b` and `a::c::d`.
pub fn paths(code: &[Token]) -> Vec<(usize, Vec<String>)> {
    let mut out = Vec::new();
    let mut at = 0;
    while at < code.len() {
        if is_word(&code[at]) {
            at = path_from(code, at, &[], &mut out);
        } else {
            at += 1;
        }
    }
    out
}

/// Whether a path can begin or go on with it.
fn is_word(token: &Token) -> bool {
    const KEYWORDS: &[&str] = &[
        "use", "as", "in", "return", "dyn", "impl", "mut", "ref", "for", "where", "match", "if", "let",
        "else",
    ];
    token.text.starts_with(|x: char| x.is_alphabetic() || x == '_')
        && !KEYWORDS.contains(&token.text.as_str())
}

fn path_from(code: &[Token], mut at: usize, prefix: &[String], out: &mut Vec<(usize, Vec<String>)>) -> usize {
    let line = code[at].line;
    let mut path = prefix.to_vec();
    loop {
        path.push(code[at].text.clone());
        at += 1;
        if code.get(at).is_none_or(|t| t.text != "::") {
            break;
        }
        match code.get(at + 1) {
            Some(t) if is_word(t) || t.text == "*" => at += 1,
            Some(t) if t.text == "{" => {
                let end = matching(code, at + 1);
                at += 2;
                while at < end {
                    if is_word(&code[at]) || code[at].text == "*" {
                        at = path_from(code, at, &path, out);
                    } else {
                        at += 1;
                    }
                }
                return end + 1;
            }
            _ => break,
        }
    }
    out.push((line, path));
    at
}
