//! The language against the standard.

use super::*;
use crate::mimic::Setup;

/// One instrument on one line.
struct Line(Instrument, Input);

impl Line {
    fn take(&mut self, bench: &mut Bench, now: Mono, bytes: &[u8]) -> Vec<u8> {
        self.0.take(&mut self.1, bench, now, bytes)
    }
}

fn port() -> (Line, Bench) {
    let setup = Setup {
        rating: crate::mimic::Rating { noise_counts: 0.0, ..Default::default() },
        ..Setup::default()
    };
    (Line(Instrument::new(&setup.rating, "0001"), Input::default()), Bench::new(setup, Mono::ZERO))
}

/// Sends lines one second apart; the replies, and then the whole error queue.
fn talk(lines: &[&str]) -> (Vec<String>, Vec<i16>) {
    let (mut port, mut bench) = port();
    let mut replies = Vec::new();
    for (i, line) in lines.iter().enumerate() {
        let now = Mono::from_millis(1000 * (i as u64 + 1));
        let out = port.take(&mut bench, now, format!("{line}\n").as_bytes());
        replies.extend(String::from_utf8(out).unwrap().lines().map(str::to_owned));
    }
    let errors = std::iter::from_fn(|| Some(port.0.errors.pop().code).filter(|c| *c != 0)).collect();
    (replies, errors)
}

#[test]
fn identity_has_four_fields() {
    let (replies, errors) = talk(&["*IDN?"]);
    assert_eq!(replies[0], format!("TANKSIDE,MIMIC-10-12,0001,{}", env!("CARGO_PKG_VERSION")));
    assert_eq!(replies[0].split(',').count(), 4);
    assert!(errors.is_empty());
}

#[test]
fn a_part_is_plated_by_standard_headers_only() {
    let (replies, errors) = talk(&[
        "*CLS",
        "VOLT:PROT 8;:CURR:PROT 3.5;:CURR:PROT:STAT ON",
        "VOLT 4;CURR 10",
        "OUTP ON",
        "MEAS:VOLT?;CURR?",
        "CURR 2 A",
        "MEAS:CURR?;:OUTP?;:STAT:QUES:COND?",
        "OUTP OFF",
        "OUTP?;:MEAS:CURR?",
        "SYST:ERR?",
    ]);
    assert!(errors.is_empty(), "{errors:?}");
    let (volts, amps) = replies[0].split_once(';').unwrap();
    assert_eq!(volts, "4.000");
    assert!((2.8..2.9).contains(&amps.parse::<f64>().unwrap()), "{amps}");
    assert_eq!(replies[1], "2.000;1;1");
    assert_eq!(replies[2], "0;0.000");
    assert_eq!(replies[3], "0,\"No error\"");
}

#[test]
fn each_mistake_gets_its_number() {
    for (line, code) in [
        ("VOL 5", -113),
        ("VOLT:PROTECT 5", -113),
        ("MEAS:VOLT", -113),
        ("*XYZ?", -113),
        ("*IDN", -113),
        ("VOLT", -109),
        ("VOLT ,", -108),
        ("VOLT 5,6", -108),
        ("MEAS:VOLT? 5", -108),
        ("*IDN? 1", -108),
        ("VOLT \"5\"", -104),
        ("VOLT 5 A", -131),
        ("OUTP 1 V", -138),
        ("VOLT fast", -141),
        ("VOLT 1..2", -121),
        ("VOLT 13", -222),
        ("VOLT -1", -222),
        ("CURR 1E30", -222),
        ("CURR 20", -222),
        ("*ESE 256", -222),
        ("VOLT2 5", -114),
        ("VOLT?5", -103),
        (";VOLT 5", -102),
        ("VOLT 5;;CURR 1", -102),
        ("VOLT::PROT 5", -102),
        ("VOLT \u{7f}5", -101),
        ("V\u{f6}LT 5", -101),
    ] {
        let (replies, errors) = talk(&[line]);
        assert_eq!(errors, [code], "{line}");
        assert!(replies.is_empty(), "{line}: {replies:?}");
    }
}

#[test]
fn a_refused_value_leaves_the_old_one() {
    let (replies, errors) = talk(&["VOLT 5.25;CURR 1500 mA", "VOLT 13", "VOLT?;CURR?"]);
    assert_eq!((replies, errors), (vec!["5.250;1.500".to_owned()], vec![-222]));
}

#[test]
fn path_rules_of_joined_messages_hold() {
    // After a header the next one starts at its parent; a colon starts at the root; common commands change nothing.
    let (replies, errors) = talk(&[
        "VOLT:PROT:LEV 6;STAT OFF;*OPC?;LEV?;STAT?;:VOLT 3;CURR 2",
        "VOLT?;CURR?",
        "SYST:ERR?;VERS?;ERR:COUN?",
    ]);
    assert!(errors.is_empty(), "{errors:?}");
    assert_eq!(replies, ["1;6.000;0", "3.000;2.000", "0,\"No error\";1999.0;0"]);
    let (_, errors) = talk(&["VOLT:PROT:LEV 6;CURR 2"]);
    assert_eq!(errors, [-113], "CURR is not beside LEV");
}

#[test]
fn a_command_error_ends_the_message_and_an_execution_error_does_not() {
    let (replies, _) = talk(&["VOLT 99;CURR 2", "CURR?", "VOL 1;CURR 3", "CURR?"]);
    assert_eq!(replies, ["2.000", "2.000"]);
}

#[test]
fn minimum_maximum_and_default_are_known_both_ways() {
    let (replies, errors) =
        talk(&["VOLT MAX", "CURR MINimum", "VOLT?;CURR?;VOLT? MIN;CURR? MAX;:VOLT:PROT? DEF"]);
    assert!(errors.is_empty(), "{errors:?}");
    assert_eq!(replies, ["12.000;0.000;0.000;10.000;13.200"]);
}

#[test]
fn a_full_queue_says_overflow_in_place_of_its_last_entry() {
    let many: Vec<&str> = std::iter::repeat_n("VOL 1", QUEUE_DEPTH + 5).collect();
    let (_, errors) = talk(&many);
    assert_eq!(errors.len(), QUEUE_DEPTH);
    assert_eq!(errors[QUEUE_DEPTH - 1], -350);
    assert!(errors[..QUEUE_DEPTH - 1].iter().all(|c| *c == -113));
}

#[test]
fn a_message_longer_than_the_buffer_is_an_overrun_and_the_next_is_heard() {
    let long = "VOLT 5;".repeat(200);
    let (replies, errors) = talk(&[&long, "VOLT?"]);
    assert_eq!((replies, errors), (vec!["0.000".to_owned()], vec![-363]));
}

#[test]
fn status_registers_follow_ieee_488_2() {
    let (replies, _) = talk(&[
        "*ESR?",
        "*ESR?",
        "VOL 1",
        "VOLT 99",
        "*STB?",
        "*ESE 48;*SRE 36",
        "*STB?",
        "*ESR?",
        "*STB?",
        "*CLS",
        "*STB?",
        "*OPC",
        "*ESR?",
    ]);
    // 128 power on; 32 command error + 16 execution error; 4 error queue, 32 event summary, 64 service.
    assert_eq!(replies, ["128", "0", "4", "100", "48", "68", "0", "1"]);
}

#[test]
fn over_voltage_trips_are_told_and_block_the_output_until_cleared() {
    let (replies, errors) = talk(&[
        "VOLT 8;CURR 3;:VOLT:PROT 2;:OUTP ON",
        "OUTP?;:VOLT:PROT:TRIP?;:OUTP:PROT:TRIP?;:CURR:PROT:TRIP?",
        "OUTP ON",
        "VOLT:PROT:CLE;:VOLT:PROT 10",
        "OUTP ON",
        "OUTP?;:VOLT:PROT:TRIP?",
    ]);
    assert_eq!(replies, ["0;1;1;0", "1;0"]);
    assert_eq!(errors, [-221]);
}

#[test]
fn reset_switches_off_and_forgets() {
    let (replies, _) =
        talk(&["VOLT 4;CURR 2;:OUTP ON", "OUTP?", "*RST", "OUTP?;:VOLT?;CURR?;:CURR:PROT:STAT?"]);
    assert_eq!(replies, ["1", "0;0.000;0.000;0"]);
}

#[test]
fn line_ends_of_every_fashion_end_a_message_once() {
    let (mut port, mut bench) = port();
    let out = port.take(&mut bench, Mono::ZERO, b"*OPC?\r\n*OPC?\r*OPC?\n\n\r\n*OP");
    assert_eq!(out, b"1\n1\n1\n");
    assert_eq!(port.take(&mut bench, Mono::ZERO, b"C?\n"), b"1\n");
}

#[test]
fn a_power_cycle_clears_the_registers_and_says_power_on() {
    let (mut port, mut bench) = port();
    port.take(&mut bench, Mono::ZERO, b"*ESR?\nVOL 1\n*SRE 4\n");
    bench.fault(Mono::from_millis(10), crate::mimic::Fault::PowerCycle, None);
    let out = port.take(&mut bench, Mono::from_millis(5000), b"*SRE?;*ESR?;:SYST:ERR?\n");
    assert_eq!(out, b"0;128;0,\"No error\"\n");
}

proptest::proptest! {
    #[test]
    fn no_bytes_panic_or_fill_memory(chunks in proptest::collection::vec(proptest::collection::vec(proptest::num::u8::ANY, 0..700), 0..6)) {
        let (mut port, mut bench) = port();
        for chunk in &chunks {
            port.take(&mut bench, Mono::ZERO, chunk);
            assert!(port.1.bytes.len() <= INPUT_BUFFER);
            assert!(port.0.errors.len() <= QUEUE_DEPTH);
        }
    }

    #[test]
    fn nothing_that_looks_like_scpi_panics(line in "[*:;A-Za-z0-9?,. \"'+-]{0,80}") {
        let (mut port, mut bench) = port();
        port.take(&mut bench, Mono::ZERO, format!("{line}\nVOLT {line}\n*{line}?\n").as_bytes());
    }

    #[test]
    fn bytes_mean_the_same_however_they_are_cut(cut in 0usize..60) {
        let text = b"VOLT 4;CURR 2;:OUTP ON\nMEAS:VOLT?;CURR?\nVOL?\nSYST:ERR?\n";
        let (mut one, mut bench_one) = port();
        let whole = one.take(&mut bench_one, Mono::ZERO, text);
        let (mut two, mut bench_two) = port();
        let cut = cut.min(text.len());
        let mut parts = two.take(&mut bench_two, Mono::ZERO, &text[..cut]);
        parts.extend(two.take(&mut bench_two, Mono::ZERO, &text[cut..]));
        assert_eq!(whole, parts);
    }
}

#[test]
fn registers_answer_in_nr1_and_levels_in_nr2_with_the_decimals_of_the_resolution() {
    // IEEE 488.2, 8.7.2 and 8.7.3: NR1 has digits only, NR2 a point with digits on both sides; neither an exponent.
    let (replies, errors) = talk(&[
        "VOLT 4;CURR 0.5E0",
        "VOLT?;CURR?;:MEAS:VOLT?;:MEAS:CURR?;:CURR:PROT?",
        "*ESE?;*STB?;:SYST:ERR:COUN?;:OUTP?",
    ]);
    assert!(errors.is_empty(), "{errors:?}");
    for nr2 in replies[0].split(';') {
        let (whole, part) = nr2.split_once('.').unwrap();
        assert!(!whole.is_empty() && whole.bytes().all(|b| b.is_ascii_digit()), "{nr2}");
        assert!(part.len() == 3 && part.bytes().all(|b| b.is_ascii_digit()), "{nr2}");
    }
    for nr1 in replies[1].split(';') {
        assert!(!nr1.is_empty() && nr1.bytes().all(|b| b.is_ascii_digit()), "{nr1}");
    }
}
