//! A dialect file: read, or refused with a place that exists.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tankside::supply::dialect::parse;

fuzz_target!(|bytes: &[u8]| {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match parse(text, "some/file.toml") {
        Ok(dialect) => {
            assert_eq!(dialect.name, "file");
            assert_eq!(parse(&dialect.source, "some/file.toml").as_ref(), Ok(&dialect));
        }
        Err(problems) => {
            assert!(!problems.is_empty());
            for problem in problems {
                let shown = problem.to_string();
                assert!(shown.starts_with("some/file.toml"), "{shown}");
                assert!(!shown.contains('\n'), "{shown}");
            }
        }
    }
});
