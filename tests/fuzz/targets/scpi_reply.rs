//! A reply line, as bytes: read whole or refused.
#![no_main]

use libfuzzer_sys::fuzz_target;
use tankside::supply::reply;

fuzz_target!(|bytes: &[u8]| {
    let _ = reply::identity(bytes);
    if let Ok((_, text)) = reply::error_entry(bytes) {
        assert!(bytes.len() >= text.len(), "an entry longer than its reply");
    }
    for wanted in 1..=5 {
        let Ok(fields) = reply::fields(bytes, wanted) else { continue };
        assert_eq!(fields.len(), wanted);
        for field in fields {
            let whole = reply::whole(field);
            if let Ok(value) = reply::number(field) {
                assert!(value.is_finite() && value.abs() < 9.9e37, "{field:?}");
                // The same text means the same to a reader that is not ours.
                assert_eq!(field.trim().parse::<f64>(), Ok(value), "{field:?}");
                if let Ok(whole) = whole {
                    assert_eq!(whole as f64, value, "{field:?}");
                }
            }
            if let Ok(yes) = reply::boolean(field) {
                assert!(yes == field.to_ascii_uppercase().ends_with(['1', 'N']), "{field:?}");
            }
        }
    }
});
