//! What `check` says of Modbus and line dialects that cannot work.

use super::*;

fn shipped_text(name: &str) -> &'static str {
    SHIPPED.iter().find(|(n, _)| *n == name).map(|(_, text)| *text).unwrap()
}

/// The problems of the shipped file after a change.
fn problems(name: &str, from: &str, to: &str) -> Vec<String> {
    let text = shipped_text(name);
    assert!(text.contains(from), "{from:?} is not in the file");
    match parse(&text.replacen(from, to, 1), "x") {
        Ok(_) => Vec::new(),
        Err(found) => found.iter().map(ToString::to_string).collect(),
    }
}

fn one(name: &str, from: &str, to: &str, words: &str) {
    let found = problems(name, from, to);
    assert_eq!(found.len(), 1, "{from:?} -> {to:?}: {found:#?}");
    assert!(found[0].starts_with("x:") && found[0].contains(words), "{from:?} -> {to:?}: {found:#?}");
}

const MODBUS: &str = "modbus-example";
const LINE: &str = "line-example";

#[test]
fn a_scale_without_a_unit_or_of_another_unit_is_refused() {
    one(
        MODBUS,
        "volts = { register = 16, scale = \"10 mV\" }",
        "volts = { register = 16, scale = 0.01 }",
        "modbus.read.volts.scale",
    );
    one(
        MODBUS,
        "volts = { register = 16, scale = \"10 mV\" }",
        "volts = { register = 16, scale = \"0.01\" }",
        "modbus.read.volts.scale",
    );
    one(
        MODBUS,
        "amps = { register = 17, scale = \"1 mA\" }",
        "amps = { register = 17, scale = \"1 mV\" }",
        "modbus.read.amps.scale",
    );
    one(LINE, "volts = \"10 mV\"", "volts = 0.01", "line.scale.volts");
}

#[test]
fn a_register_number_of_a_manuals_table_is_doubted_and_the_one_on_the_wire_is_named() {
    let said = |from: &str, to: &str| {
        let text = shipped_text(MODBUS);
        assert!(text.contains(from), "{from:?} is not in the file");
        parse(&text.replacen(from, to, 1), "x").unwrap().doubts()
    };
    let identity = "register = 32\ncount";
    let one = said(identity, "register = 40033\ncount");
    assert!(one.len() == 1 && one[0].contains("If the manual says 40033, write 32;"), "{one:?}");
    let one = said(identity, "register = 30001\ncount");
    assert!(one.len() == 1 && one[0].contains("If the manual says 30001, write 0;"), "{one:?}");
    for plain in [32, 30_000, 40_000, 50_000] {
        assert!(said(identity, &format!("register = {plain}\ncount")).is_empty(), "{plain}");
    }
}

#[test]
fn overlapping_registers_are_refused() {
    one(
        MODBUS,
        "amps = { register = 17",
        "amps = { register = 16",
        "volts and amps share holding register 16",
    );
    one(MODBUS, "set-amps = { register = 2,", "set-amps = { register = 0,", "share holding register 0");
    one(MODBUS, "level = { register = 4,", "level = { register = 3,", "share holding register 3");
    // A float takes two.
    one(
        MODBUS,
        "volts = { register = 16, scale",
        "volts = { register = 16, type = \"f32\", scale",
        "share holding register 17",
    );
}

#[test]
fn a_float_without_its_order_of_words_is_refused() {
    let found = problems(MODBUS, "float = \"ABCD\"\n", "");
    assert!(
        found.len() == 1 && found[0].contains("modbus.known.type") && found[0].contains("\"CDAB\""),
        "{found:#?}"
    );
    one(MODBUS, "float = \"ABCD\"", "float = \"ACBD\"", "modbus.float");
}

#[test]
fn a_block_whose_late_answer_could_pass_for_another_is_refused() {
    one(MODBUS, "count = 4", "count = 7", "a late answer to one could pass for the other");
    let found = problems(MODBUS, "count = 4", "count = 2");
    assert!(found.len() == 2 && found.iter().all(|p| p.contains("could pass for the other")), "{found:#?}");
    one(MODBUS, "output = { register = 18,", "output = { register = 900,", "one read takes 125");
}

#[test]
fn a_number_of_identity_words_that_will_not_do_is_told_one_that_will() {
    // The levels are two registers, the block of readings seven, the known value two.
    let found = problems("modbus-example", "count = 4", "count = 7");
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].contains("write count = 6 in [modbus.identity]"), "{found:?}");
    let text = shipped_text("modbus-example").replacen("count = 4", "count = 6", 1);
    assert!(super::parse(&text, "x").is_ok(), "what is advised is taken");
    // And where it is not the identity that is in the way, it is not blamed.
    let found = problems("modbus-example", "set-amps = { register = 22", "set-amps = { register = 21");
    assert!(found.iter().all(|p| !p.contains("modbus.identity")), "{found:?}");
}

#[test]
fn a_modbus_dialect_without_what_must_be_there_is_refused() {
    for (from, key) in [
        ("set-volts = { register = 1, scale = \"10 mV\" }\n", "modbus.write.set-volts"),
        ("set-amps = { register = 22, scale = \"1 mA\" }\n", "modbus.read.set-amps"),
        ("output = { register = 0, on = 1, off = 0 }\n", "modbus.write.output"),
        ("unit = 1\n", "modbus.unit"),
    ] {
        one(MODBUS, from, "", &format!("{key}: is missing"));
    }
    one(
        MODBUS,
        "output = { register = 0, on = 1, off = 0 }",
        "output = { register = 0, on = 1, off = 1 }",
        "same word",
    );
    one(MODBUS, "over-current-bit = 1", "over-current-bit = 0", "same bit");
    one(MODBUS, "register = 32\n", "register = 65534\n", "65535");
    one(MODBUS, "unit = 1", "unit = 0", "modbus.unit");
    one(
        MODBUS,
        "setpoints = \"volatile\"",
        "setpoint = \"volatile\"\nsetpoints = \"volatile\"",
        "modbus.setpoint",
    );
}

#[test]
fn a_value_may_name_its_own_table_and_only_one_that_can_hold_it() {
    let coil = |on: &str| format!("output = {{ table = \"coil\", register = 3{on} }}");
    let text = shipped_text(MODBUS);
    let text = text.replace("output = { register = 0, on = 1, off = 0 }", &coil(""));
    // Register 3 is the over-voltage level: another table, so they share nothing.
    let dialect = parse(&text, "x").unwrap_or_else(|p| panic!("{p:#?}"));
    let super::Kind::Modbus(modbus) = &dialect.kind else { panic!() };
    assert_eq!((modbus.output_on.word, modbus.output_off.word), (1, 0), "a bit is 1 for on");
    assert_eq!(modbus.output_on.space, super::Space::Coil);
    let from = "output = { register = 0, on = 1, off = 0 }";
    one(MODBUS, from, &coil(", on = 1, off = 1"), "same word");
    one(MODBUS, from, &coil(", on = 2"), "modbus.write.output.on");
    one(MODBUS, from, "output = { table = \"discrete\", register = 3 }", "modbus.write.output.table");
    one(
        MODBUS,
        "volts = { register = 16, scale = \"10 mV\" }",
        "volts = { table = \"coil\", register = 16, scale = \"10 mV\" }",
        "modbus.read.volts.table",
    );
    // Off and on exchanged are dangerous in a coil too.
    one(MODBUS, from, &coil(", on = 0, off = 1"), "on and off are exchanged");
}

#[test]
fn a_set_written_as_a_query_is_refused() {
    one(LINE, "\"@{unit} VSET {volts}\"", "\"@{unit} VSET? {volts}\"", "asks instead of setting");
    one(LINE, "\"@{unit} VSET {volts}\"", "\"@{unit} VSET\"", "carries no value");
    one(LINE, "\"@{unit} OUT 1\"", "\"@{unit} MEAS\"", "is also a query");
    one(LINE, "\"@{unit} OUT 1\"", "\"@{unit} OUT {on}\"", "nothing fills");
    one(LINE, "\"@{unit} OUT 1\"", "\"@{unit} OUT 0\"", "the same line");
}

#[test]
fn an_unreachable_reply_pattern_is_refused() {
    one(LINE, "VS{set-volts} IS{set-amps}", "VS{set-volts}{set-amps}", "where the one ends");
    one(LINE, "VS{set-volts} IS{set-amps}", "VS{set-volts}00 IS{set-amps}", "swallows");
    one(LINE, "refusal = \"ERR {text}\"", "refusal = \"OVP{text}\"", "never be reached");
    one(LINE, "VS{set-volts} IS{set-amps}", "VS{set-volts} IS{set-ampere}", "did you mean {set-amps}?");
    one(LINE, "VS{set-volts} IS{set-amps}", "VS{set-volts} IS{skip}", "no reply tells {set-amps}");
    one(LINE, "reply = \"VS{set-volts}", "reply = \"V{volts} VS{set-volts}", "told by two queries");
}

#[test]
fn what_is_only_set_or_only_read_is_refused() {
    let found = problems(LINE, "over-voltage = \"@{unit} OVP {volts}\"\n", "");
    assert!(found.iter().any(|p| p.contains("only set or only read")), "{found:#?}");
}

#[test]
fn words_in_four_orders_come_back_as_they_went() {
    // 123456.0 = 0x47f12000 (worked out by hand from IEEE 754 binary32).
    let expected = [[0x47f1, 0x2000], [0x2000, 0x47f1], [0xf147, 0x0020], [0x0020, 0xf147]];
    for (order, words) in WordOrder::ALL.into_iter().zip(expected) {
        assert_eq!(Form::F32(order).encode(123_456.0), Some(words.to_vec()), "{order:?}");
        assert_eq!(Form::F32(order).decode(&words), Some(123_456.0), "{order:?}");
        for value in [0.0, 1.0, 4_294_967_295.0] {
            let words = Form::U32(order).encode(value).unwrap();
            assert_eq!(Form::U32(order).decode(&words), Some(value));
        }
        assert_eq!(Form::I32(order).decode(&Form::I32(order).encode(-7.0).unwrap()), Some(-7.0));
    }
    assert_eq!(Form::I16.decode(&[0xfff9]), Some(-7.0));
    assert_eq!(
        (Form::U16.encode(65_536.0), Form::U16.encode(-1.0), Form::U16.encode(f64::NAN)),
        (None, None, None)
    );
    assert_eq!(Form::F32(WordOrder::Abcd).encode(1e300), None);
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig { cases: 64, ..Default::default() })]

    /// A file cut or bent anywhere is judged, never a panic.
    #[test]
    fn no_bent_dialect_makes_the_reader_panic(which in 0usize..4, at in 0usize..8000, cut in 0usize..60, put in ".{0,6}") {
        let text = SHIPPED[which].1;
        let from = text.floor_char_boundary(at.min(text.len()));
        let to = text.floor_char_boundary((from + cut).min(text.len()));
        let _ = parse(&format!("{}{put}{}", &text[..from], &text[to..]), "x");
    }
}

#[test]
fn words_for_on_and_off_that_are_exchanged_are_refused() {
    // Off would switch the output on, at start-up and whenever somebody asks for off.
    one(
        MODBUS,
        "output = { register = 0, on = 1, off = 0 }",
        "output = { register = 0, on = 0, off = 1 }",
        "on and off are exchanged",
    );
}
