//! Any bytes may come: a million replies with mistakes in them, in memory and
//! in virtual time. No panic, no hang, no value that the reply to that very
//! question does not hold, no memory that grows with what the far end says.
//!
//! `tests/fuzz` looks further with the same properties; this runs every time.
#![cfg(feature = "daemon")]

#[path = "bytes/mutate.rs"]
mod mutate;
#[path = "bytes/registers.rs"]
mod registers;
#[path = "bytes/wire.rs"]
mod wire;

use mutate::{below, mutate};
use registers::{ModbusExchange, ModbusWire};
use std::sync::Arc;
use std::time::Duration;
use tankside::mimic::modbus::{self, Registers, RtuInput, TcpInput, WordOrder};
use tankside::mimic::scpi::{Input, Instrument};
use tankside::mimic::{Bench, Prng, Rating, Setup};
use tankside::quantity::{Mono, Reading};
use tankside::supply::{Clock, Device, Parity, Port, Spec, Wiring, dialect, reply};
use tokio::time::Instant;
use wire::{Endless, Exchange, ScpiWire};

/// Good replies to everything that a supply is asked.
const REPLIES: &[&[u8]] = &[
    b"7.020\n",
    b"+7.0200E+00\r\n",
    b"1\n",
    b"0\n",
    b"ON\n",
    b"7.020;2.500;1\n",
    b"7.020;2.500;1;2.800;6.000\n",
    b"-0.001;+9.91E37;0\n",
    b"0,\"No error\"\n",
    b"-113,\"Undefined header;VOL\"\n",
    b"-222,\"Data \"\"out\"\" of range\"\n",
    b"WORKSHOP,BENCH 12-10,0042,1.0\n",
    b"16\n",
];

/// What IEEE 488.2 calls NRf, by another hand than the parser's: letters and signs are counted, the rest is the
/// standard library's.
fn nrf(field: &str) -> Option<f64> {
    let known = field.bytes().all(|b| matches!(b, b'0'..=b'9' | b'+' | b'-' | b'.' | b'e' | b'E'));
    let value: f64 = known.then(|| field.parse().ok())??;
    (value.abs() < 9.9e37).then_some(value)
}

/// The fields of a reply's first line, if it is printable and has something in it.
fn fields_of(bytes: &[u8]) -> Option<Vec<&str>> {
    let text = std::str::from_utf8(bytes).ok()?.trim_matches([' ', '\t', '\n', '\r', '\x0c']);
    let printable = text.bytes().all(|b| (32..127).contains(&b) || b == b'\t');
    (printable && !text.is_empty()).then(|| text.split(';').map(str::trim).collect())
}

#[test]
fn of_a_million_mutated_replies_none_is_taken_for_what_it_does_not_say() {
    let mut prng = Prng::new(1);
    let (mut taken, mut refused) = (0u32, 0u32);
    for case in 0..1_000_000 {
        let good = REPLIES[below(&mut prng, REPLIES.len())];
        let mut bytes = good.to_vec();
        mutate(&mut prng, &mut bytes, REPLIES);
        let shown = || format!("case {case}: {}", bytes.escape_ascii());
        let truth = fields_of(&bytes);
        // As many as the sound reply has, or now and then another number.
        let asked = 1 + good.iter().filter(|b| **b == b';').count();
        let wanted = if below(&mut prng, 4) == 0 { 1 + below(&mut prng, 5) } else { asked };
        let found = reply::fields(&bytes, wanted).ok();
        assert_eq!(found, truth.clone().filter(|all| all.len() == wanted), "{}", shown());
        for field in found.into_iter().flatten() {
            assert_eq!(reply::number(field).ok(), nrf(field), "{}", shown());
            let whole = field.parse::<i64>().ok();
            assert_eq!(reply::whole(field).ok(), whole, "{}", shown());
            let switch = match &*field.to_ascii_uppercase() {
                "1" | "+1" | "ON" => Some(true),
                "0" | "+0" | "OFF" => Some(false),
                _ => None,
            };
            assert_eq!(reply::boolean(field).ok(), switch, "{}", shown());
            if reply::number(field).is_ok() { taken += 1 } else { refused += 1 }
        }
        if let Ok((code, text)) = reply::error_entry(&bytes) {
            let line = std::str::from_utf8(&bytes).unwrap().trim_ascii();
            let (number, rest) = line.split_once(',').unwrap();
            assert_eq!(number.trim().parse::<i32>(), Ok(code), "{}", shown());
            let quoted = format!("\"{}\"", text.replace('"', "\"\""));
            assert_eq!(rest.trim(), quoted, "{}", shown());
            assert!(reply::identity(&bytes).is_err(), "both an entry and an identity: {}", shown());
        }
        if let Ok(text) = reply::identity(&bytes) {
            assert!(bytes.windows(text.len()).any(|w| w == text.as_bytes()), "{}", shown());
            assert!(nrf(text).is_none(), "a number is nobody's name: {}", shown());
        }
    }
    assert!(taken > 100_000 && refused > 100_000, "the mutations are lopsided: {taken} and {refused}");
}

fn spec(dialect: &str, port: Port) -> Spec {
    Spec {
        dialect: dialect.into(),
        port,
        baud: 9600,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring: Wiring::default(),
    }
}

fn device(name: &str, port: Port) -> Device {
    let dialect = dialect::shipped().into_iter().find(|d| d.name == name).expect("a shipped dialect");
    Device::new(spec(name, port), Arc::new(dialect), Clock::new())
}

/// Raw text over TCP, or Modbus TCP.
fn socket() -> Port {
    Port::Tcp("nowhere:1".into())
}

/// A serial line behind a server: no pty to open, but RTU.
fn serial() -> Port {
    Port::Bridge("nowhere:1".into())
}

/// Runs a story in virtual time.
fn in_virtual_time<T>(story: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build();
    runtime.unwrap().block_on(story)
}

/// What the last answered line with that question in it says to it.
fn said<'e>(log: &'e [Exchange], question: &str) -> Option<&'e str> {
    let (place, exchange) = log.iter().rev().find_map(|exchange| {
        let place = exchange.question.split(';').position(|q| q.trim_start_matches(':') == question)?;
        Some((place, exchange))
    })?;
    let line = exchange.reply.split(|b| *b == b'\n').next()?;
    let fields = fields_of(line)?;
    (fields.len() == exchange.question.split(';').count()).then(|| fields[place])
}

/// Every value of the reading stands in the reply that was made for its question in this very call.
fn check(reading: &Reading, log: &[Exchange], case: u32) {
    let shown = || format!("case {case}: {reading:?} from {log:?}");
    assert_eq!(said(log, "MEAS:VOLT?").and_then(nrf), Some(reading.volts.get()), "{}", shown());
    assert_eq!(said(log, "MEAS:CURR?").and_then(nrf), Some(reading.amps.get()), "{}", shown());
    let output =
        said(log, "OUTP?").map(|field| matches!(field, "1" | "+1") || field.eq_ignore_ascii_case("on"));
    assert_eq!(output, reading.output, "{}", shown());
    for (question, value) in
        [("VOLT?", reading.set_volts.map(|v| v.get())), ("CURR?", reading.set_amps.map(|a| a.get()))]
    {
        if log
            .iter()
            .any(|exchange| exchange.question.split(';').any(|q| q.trim_start_matches(':') == question))
        {
            assert_eq!(said(log, question).and_then(nrf), value, "{question} {}", shown());
        }
    }
}

/// Replies to the device itself: mutated, late by one question, or in pieces.
/// Fewer than a million, since each costs its time-outs; `tests/fuzz/run` does more.
#[test]
fn of_fifty_thousand_readings_over_a_bad_line_none_holds_what_was_not_answered() {
    const READINGS: u32 = 50_000;
    let (taken, refused, mutated) = in_virtual_time(async {
        let (wire, talk) = ScpiWire::new(2);
        let mut device = device("scpi", socket());
        device.connect_over(wire).await.expect("sound at first");
        talk.lock().unwrap().spoil = 0.4;
        let (mut taken, mut refused) = (0u32, 0u32);
        for case in 0..READINGS {
            talk.lock().unwrap().log.clear();
            let begin = Instant::now();
            match device.read().await {
                Ok(reading) => {
                    taken += 1;
                    check(&reading, &talk.lock().unwrap().log, case);
                }
                Err(trouble) => {
                    refused += 1;
                    assert!(!trouble.is_gone(), "case {case}: {trouble}");
                    assert!(trouble.to_string().len() < 4000, "case {case}: {trouble}");
                }
            }
            assert!(begin.elapsed() < Duration::from_secs(60), "case {case}: {:?}", begin.elapsed());
        }
        talk.lock().unwrap().spoil = 0.0;
        let mut sound = 0;
        for _ in 0..10 {
            sound += u32::from(device.read().await.is_ok());
        }
        assert!(sound >= 8, "a line that is sound again is believed again: {sound} of 10");
        (taken, refused, talk.lock().unwrap().spoiled)
    });
    println!("{taken} readings, {refused} refused, {mutated} replies mutated");
    assert!(taken > READINGS / 20 && refused > READINGS / 20, "{taken} and {refused}");
    assert!(mutated > READINGS / 4, "{mutated}");
}

/// What a whole sound answer to the poll of `modbus-example` says: seven registers from 16. What comes after it
/// comes too late to be seen; it shows at the next question.
fn block(exchange: &ModbusExchange, tcp: bool) -> Option<Vec<u16>> {
    let asked = &exchange.request;
    let said = exchange.reply.get(..if tcp { 23 } else { 19 })?;
    let pdu = if tcp {
        // Transaction, protocol, length, unit: as in the question but for the length.
        let fits = said[..4] == asked[..4] && said[4..7] == [0, 17, 1];
        fits.then(|| &said[7..])?
    } else {
        let fits = said[0] == 1 && modbus::crc(said) == 0;
        fits.then(|| &said[1..17])?
    };
    let words = pdu.strip_prefix(&[3, 14])?;
    Some(words.chunks_exact(2).map(|w| u16::from_be_bytes([w[0], w[1]])).collect())
}

/// As with text: whatever the answers are made into, a reading is what the answer to this very question says.
#[test]
fn of_forty_thousand_modbus_readings_over_a_bad_line_none_holds_what_was_not_answered() {
    const READINGS: u32 = 20_000;
    for tcp in [false, true] {
        let (taken, refused, mutated) = in_virtual_time(async {
            let (wire, talk) = ModbusWire::new(5, tcp);
            let mut device = device("modbus-example", if tcp { socket() } else { serial() });
            device.connect_over(wire).await.expect("sound at first");
            talk.lock().unwrap().spoil = 0.4;
            let (mut taken, mut refused) = (0u32, 0u32);
            for case in 0..READINGS {
                talk.lock().unwrap().log.clear();
                let begin = Instant::now();
                match device.read().await {
                    Ok(reading) => {
                        taken += 1;
                        let log = &talk.lock().unwrap().log;
                        let last = log.last().expect("a question was asked");
                        let shown = || format!("tcp {tcp}, case {case}: {reading:?} from {last:?}");
                        let words = block(last, tcp).unwrap_or_else(|| panic!("{}", shown()));
                        let near =
                            |value: f64, word: u16, step: f64| (value - f64::from(word) * step).abs() < 1e-9;
                        assert!(near(reading.volts.get(), words[0], 0.01), "{}", shown());
                        assert!(near(reading.amps.get(), words[1], 0.001), "{}", shown());
                        assert_eq!(
                            reading.output,
                            [Some(false), Some(true)][usize::from(words[2])],
                            "{}",
                            shown()
                        );
                        assert!(near(reading.set_volts.unwrap().get(), words[5], 0.01), "{}", shown());
                        assert!(near(reading.set_amps.unwrap().get(), words[6], 0.001), "{}", shown());
                        assert_eq!(reading.faults.over_voltage, words[4] & 1 != 0, "{}", shown());
                    }
                    Err(trouble) => {
                        refused += 1;
                        assert!(!trouble.is_gone(), "tcp {tcp}, case {case}: {trouble}");
                        assert!(trouble.to_string().len() < 4000, "tcp {tcp}, case {case}: {trouble}");
                    }
                }
                assert!(
                    begin.elapsed() < Duration::from_secs(60),
                    "tcp {tcp}, case {case}: {:?}",
                    begin.elapsed()
                );
            }
            talk.lock().unwrap().spoil = 0.0;
            let mut sound = 0;
            for _ in 0..10 {
                sound += u32::from(device.read().await.is_ok());
            }
            assert!(sound >= 8, "a line that is sound again is believed again: {sound} of 10");
            (taken, refused, talk.lock().unwrap().spoiled)
        });
        println!("tcp {tcp}: {taken} readings, {refused} refused, {mutated} answers mutated");
        assert!(taken > READINGS / 20 && refused > READINGS / 20, "{taken} and {refused}");
        assert!(mutated > READINGS / 4, "{mutated}");
    }
}

#[test]
fn a_reply_without_end_is_cut_off_before_it_fills_memory() {
    in_virtual_time(async {
        for (dialect, port) in
            [("scpi", socket()), ("modbus-example", socket()), ("modbus-example", serial())]
        {
            let (wire, pulled) = Endless::new();
            let mut device = device(dialect, port);
            let begin = Instant::now();
            let trouble = device.connect_over(wire).await.unwrap_err();
            assert!(trouble.to_string().len() < 4000, "{trouble}");
            assert!(begin.elapsed() < Duration::from_secs(60), "{:?}", begin.elapsed());
            // At 256 bytes a millisecond: read and thrown away while it waits for silence, never kept.
            let pulled = pulled.load(std::sync::atomic::Ordering::Relaxed);
            assert!(pulled < 20_000_000, "{pulled} bytes");
        }
    });
}

/// The most memory this process ever had, in bytes.
#[expect(clippy::disallowed_methods, reason = "the kernel keeps this figure in a file")]
fn peak_memory() -> usize {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).expect("Linux");
    line.trim().trim_end_matches(" kB").trim().parse::<usize>().unwrap() * 1024
}

#[test]
fn what_a_client_pours_into_the_mimic_does_not_pile_up() {
    const MEGABYTES: usize = 16;
    let before = peak_memory();
    let mut bench = Bench::new(Setup::default(), Mono::ZERO);
    let mut instrument = Instrument::new(&Rating::default(), "7");
    let registers = Registers::new("7", WordOrder::Abcd);
    let (mut text, mut line, mut socket) = (Input::default(), RtuInput::default(), TcpInput::default());
    let chunk = [b'7'; 4096];
    // A frame of another protocol: dropped, and never kept.
    let mut foreign = tankside::mimic::modbus::tcp(1, 1, &[3; 200]);
    foreign[3] = 9;
    for _ in 0..MEGABYTES * 256 {
        assert!(instrument.take(&mut text, &mut bench, Mono::ZERO, &chunk).is_empty());
        line.push(&chunk);
        for _ in 0..20 {
            socket.push(&foreign);
            assert_eq!(socket.take(), Ok(None));
        }
    }
    let grown = peak_memory().saturating_sub(before);
    assert!(grown < 12 << 20, "{grown} bytes for three times {MEGABYTES} MB");
    assert!(line.silence().is_none());
    assert!(instrument.take(&mut text, &mut bench, Mono::ZERO, b"\n*IDN?\n").starts_with(b"TANKSIDE"));
    assert_eq!(registers.answer(&mut bench, Mono::ZERO, &[3, 0, 18, 0, 1]), [3, 2, 0, 0]);
}

#[test]
fn of_a_hundred_thousand_mutated_messages_none_confuses_the_mimic() {
    const MESSAGES: &[&[u8]] = &[
        b"*IDN?\n",
        b"VOLT 6;CURR 2;:OUTP ON\n",
        b"MEAS:VOLT?;:MEAS:CURR?;:OUTP?\n",
        b"SOURce:VOLTage:LEVel:IMMediate:AMPLitude 5.5 V\n",
        b"VOLT:PROT 8;PROT:STAT ON\n",
        b"STAT:QUES:COND?;*ESR?\r\n",
        b"CURR MAX;CURR? MIN\n",
        b"SYST:ERR?;*CLS;*RST\n",
    ];
    let mut prng = Prng::new(3);
    let mut bench = Bench::new(Setup::default(), Mono::ZERO);
    let mut instrument = Instrument::new(&Rating::default(), "7");
    let mut input = Input::default();
    for case in 0..100_000 {
        let mut bytes = MESSAGES[below(&mut prng, MESSAGES.len())].to_vec();
        mutate(&mut prng, &mut bytes, MESSAGES);
        let reply = instrument.take(&mut input, &mut bench, Mono::ZERO, &bytes);
        let shown = || format!("case {case}: {} -> {}", bytes.escape_ascii(), reply.escape_ascii());
        assert!(reply.is_empty() || reply.ends_with(b"\n"), "{}", shown());
        assert!(reply.iter().all(|b| matches!(b, b'\n' | b' '..=b'~')), "{}", shown());
        let supply = bench.supply();
        assert!((0.0..=12.001).contains(&supply.volts_setpoint()), "{}", shown());
        assert!((0.0..=10.001).contains(&supply.amps_setpoint()), "{}", shown());
    }
}

#[test]
fn of_four_thousand_mutated_dialect_files_each_is_read_or_refused_with_its_place() {
    let mut prng = Prng::new(4);
    let texts: Vec<&[u8]> = dialect::SHIPPED.iter().map(|(_, text)| text.as_bytes()).collect();
    let (mut good, mut bad) = (0, 0);
    for case in 0..4_000 {
        let mut bytes = texts[below(&mut prng, texts.len())].to_vec();
        let words: &[&[u8]] = &[b"volts", b"\"1 mA\"\n", b"[scpi.timing]\n", b"= ", b"\"\"\"", b"?\"", b"#"];
        mutate(&mut prng, &mut bytes, words);
        let Ok(text) = String::from_utf8(bytes) else { continue };
        match dialect::parse(&text, "some/file.toml") {
            Ok(dialect) => {
                good += 1;
                assert_eq!(
                    dialect::parse(&dialect.source, "some/file.toml").as_ref(),
                    Ok(&dialect),
                    "case {case}"
                );
            }
            Err(problems) => {
                bad += 1;
                assert!(!problems.is_empty(), "case {case}: refused without a word");
                for problem in problems {
                    let shown = problem.to_string();
                    assert!(shown.starts_with("some/file.toml:"), "case {case}: {shown}");
                    assert!(!shown.contains('\n') && shown.len() < 1000, "case {case}: {shown}");
                }
            }
        }
    }
    assert!(good > 400 && bad > 400, "the mutations are lopsided: {good} and {bad}");
}
