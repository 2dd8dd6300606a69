//! Transcripts of supplies, played back: what a probe found then is found again.
#![cfg(feature = "daemon")]
#![expect(clippy::disallowed_methods, reason = "these tests read the transcripts they are about")]

use std::path::Path;
use std::sync::Arc;
use tankside::supply::{Dialect, Transcript, dialect};

fn dialect(name: &str) -> Arc<Dialect> {
    let found = dialect::shipped().into_iter().find(|d| d.name == name);
    Arc::new(found.unwrap_or_else(|| panic!("no dialect {name:?} ships")))
}

fn all() -> Vec<(String, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/transcripts");
    let mut all: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|e| e == "txt"))
        .map(|path| (path.display().to_string(), std::fs::read_to_string(&path).unwrap()))
        .collect();
    all.sort();
    all
}

#[tokio::test]
async fn every_transcript_still_says_what_it_said() {
    let all = all();
    assert!(!all.is_empty());
    for (file, text) in all {
        let transcript = Transcript::parse(&text).unwrap_or_else(|why| panic!("{file}: {why}"));
        let found = transcript.replay(&dialect(transcript.header("dialect"))).await;
        let found = found.unwrap_or_else(|why| panic!("{file}: {why}"));
        assert_eq!(found.identity, transcript.header("identity"), "{file}");
        assert_eq!(found.said(), transcript.header("reading"), "{file}");
        assert!(found.polls.is_ok(), "{file}: {:?}", found.polls);
    }
}

#[tokio::test]
async fn a_transcript_with_a_changed_byte_does_not_pass() {
    for (file, text) in all() {
        // The last answer is another: neither a line nor a frame.
        let at = text.rfind("\n< ").unwrap();
        let bent = format!("{}\n< Z\n", &text[..at]);
        let transcript = Transcript::parse(&bent).unwrap();
        let found = transcript.replay(&dialect(transcript.header("dialect"))).await;
        assert!(found.is_err() || found.is_ok_and(|f| f.polls.is_err()), "{file}");
    }
}
