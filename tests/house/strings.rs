//! The page's words: all in one file, and none that no view says.

use std::collections::BTreeSet;
use std::fs;

/// A key of `strings.js`, with those that it lies under.
type Key = Vec<String>;

/// Every key of the object that has a text or a function for its value.
fn keys(source: &str) -> Vec<Key> {
    let chars: Vec<char> = source.chars().collect();
    let head = "export const S = {";
    let at = source.find(head).expect("the object of the words");
    let mut reader = Reader { chars: &chars, at: source[..at].chars().count() + head.chars().count() };
    let mut all = Vec::new();
    reader.object(&mut Vec::new(), &mut all);
    all
}

struct Reader<'c> {
    chars: &'c [char],
    at: usize,
}

impl Reader<'_> {
    fn here(&self) -> char {
        self.chars.get(self.at).copied().unwrap_or('\0')
    }

    /// Past spaces, commas and comments.
    fn gap(&mut self) {
        loop {
            if self.here() == '/' && self.chars.get(self.at + 1) == Some(&'/') {
                while !matches!(self.here(), '\n' | '\0') {
                    self.at += 1;
                }
            } else if self.here().is_whitespace() || self.here() == ',' {
                self.at += 1;
            } else {
                return;
            }
        }
    }

    /// From behind its `{` to behind its `}`.
    fn object(&mut self, under: &mut Key, all: &mut Vec<Key>) {
        loop {
            self.gap();
            if matches!(self.here(), '}' | '\0') {
                self.at += 1;
                return;
            }
            let begin = self.at;
            while !matches!(self.here(), ':' | '\0') {
                self.at += 1;
            }
            let name: String = self.chars[begin..self.at].iter().filter(|c| **c != '"').collect();
            self.at += 1;
            self.gap();
            under.push(name);
            if self.here() == '{' {
                self.at += 1;
                self.object(under, all);
            } else {
                all.push(under.clone());
                self.value();
            }
            under.pop();
        }
    }

    /// To the comma behind a value, or to the end of what it stands in.
    fn value(&mut self) {
        let mut deep = 0;
        loop {
            match self.here() {
                '\0' => return,
                ',' | '}' if deep == 0 => return,
                '(' | '[' | '{' => deep += 1,
                ')' | ']' | '}' => deep -= 1,
                '"' => self.text(),
                '`' => self.template(),
                _ => {}
            }
            self.at += 1;
        }
    }

    /// From the first quotation mark of a text to its last.
    fn text(&mut self) {
        self.at += 1;
        while !matches!(self.here(), '"' | '\0') {
            self.at += if self.here() == '\\' { 2 } else { 1 };
        }
    }

    /// The same of a template, with what is put in.
    fn template(&mut self) {
        self.at += 1;
        loop {
            match self.here() {
                '`' | '\0' => return,
                '\\' => self.at += 2,
                '$' if self.chars.get(self.at + 1) == Some(&'{') => {
                    self.at += 2;
                    self.value();
                    self.at += 1;
                }
                _ => self.at += 1,
            }
        }
    }
}

/// What a view reads of `S`: `S.tanks.logged[e.what]` reads all of `tanks.logged`. The empty key: `S[…]`, all of it.
fn mentions(source: &str) -> BTreeSet<Key> {
    let chars: Vec<char> = source.chars().collect();
    let word = |c: Option<&char>| c.is_some_and(|c| c.is_alphanumeric() || matches!(c, '_' | '$'));
    let mut all = BTreeSet::new();
    for (at, _) in chars.iter().enumerate().filter(|(_, c)| **c == 'S') {
        let before = at.checked_sub(1).and_then(|b| chars.get(b));
        if word(before)
            || before == Some(&'.') && chars.get(at.wrapping_sub(2)) != Some(&'.')
            || word(chars.get(at + 1))
        {
            continue;
        }
        let (mut key, mut end) = (Key::new(), at + 1);
        loop {
            let dot = end + usize::from(chars.get(end) == Some(&'?'));
            if chars.get(dot) != Some(&'.') || !word(chars.get(dot + 1)) {
                break;
            }
            let rest = &chars[dot + 1..];
            let name: String = rest.iter().take_while(|c| word(Some(c))).collect();
            end = dot + 1 + name.chars().count();
            key.push(name);
        }
        if !key.is_empty() || chars.get(end) == Some(&'[') {
            all.insert(key);
        }
    }
    all
}

/// The keys that nothing among `read` reads.
fn unsaid(keys: &[Key], read: &BTreeSet<Key>) -> Vec<String> {
    let said = |key: &&Key| !read.iter().any(|r| key.starts_with(r) || r.starts_with(key));
    keys.iter().filter(said).map(|key| key.join(".")).collect()
}

#[test]
fn page_has_no_word_that_no_view_says() {
    let folder = super::root().join("src/serve/page");
    let mut read = BTreeSet::new();
    let mut views = 0;
    for entry in fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if name.ends_with(".js") && name != "strings.js" {
            read.extend(mentions(&fs::read_to_string(&path).unwrap()));
            views += 1;
        }
    }
    let keys = keys(&fs::read_to_string(folder.join("strings.js")).unwrap());
    assert!(views > 10 && keys.len() > 300, "{views} views, {} words", keys.len());
    assert!(!read.contains(&Key::new()), "S[…] reads every word at once, and hides those that nobody says");
    assert_eq!(unsaid(&keys, &read), Vec::<String>::new(), "take them out of strings.js, or say them");
}

#[test]
fn checker_sees_a_word_that_is_said_nowhere_and_none_that_is() {
    let words = r#"// Words.
export const S = {
  title: "one, two: {three}", part: (n) => `part ${n > 1 ? `of ${n}, all` : "alone"}`, // a comment: "x"
  say: { done: "Done", "not-done": "It's \"not\" done" },
  deep: { er: { a: "a", b: "b" } },
};
"#;
    let keys = keys(words);
    let names: Vec<_> = keys.iter().map(|key| key.join(".")).collect();
    assert_eq!(names, ["title", "part", "say.done", "say.not-done", "deep.er.a", "deep.er.b"]);
    let said = |view: &str| unsaid(&keys, &mentions(view));
    assert_eq!(said("S.title; S.part(2); S.say[how]; S.deep.er?.a"), ["deep.er.b"]);
    assert_eq!(
        said("[...S.title, ICONS.say, x.S.part, S.say.done.length, S.deep]"),
        ["part", "say.not-done"]
    );
    assert!(mentions("import { S } from").is_empty());
    assert!(mentions("h(S[key])").contains(&Key::new()));
}
