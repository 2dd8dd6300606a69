//! A device against a supply that misbehaves on cue, in virtual time.

use super::fake::{Shared, Slip, bench, dialect, serve, serve_on, spec};
use super::session::Session;
use super::*;
use crate::quantity::{Amps, Regulation, Volts};
use proptest::prelude::*;
use std::time::Duration;
use tokio::io::{AsyncWriteExt, duplex};
use tokio::time::{Instant, sleep};

async fn connected(bench: &Shared) -> Device {
    let mut device = Device::new(spec(Some("BENCH 12-10,0042")), dialect(), Clock::new());
    device.connect_over(serve(bench)).await.unwrap();
    device
}

fn slip(bench: &Shared, slips: &[Slip]) {
    bench.lock().unwrap().slips.extend(slips.iter().cloned());
}

fn heard(bench: &Shared) -> Vec<String> {
    std::mem::take(&mut bench.lock().unwrap().heard)
}

#[tokio::test(start_paused = true)]
async fn a_normal_run_of_calls_reaches_the_supply_in_order() {
    let bench = bench();
    let mut device = connected(&bench).await;
    heard(&bench);
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
    let told: Vec<String> = heard(&bench).into_iter().filter(|l| !l.contains('?')).collect();
    assert_eq!(
        told,
        [
            "OUTP OFF",
            "CURR 0.000",
            "VOLT 0.000",
            "VOLT:PROT:CLE",
            "VOLT:PROT 9.000",
            "VOLT:PROT:STAT ON",
            "CURR:PROT:CLE",
            "CURR:PROT 6.000",
            "CURR:PROT:STAT ON",
            "VOLT 7.300",
        ]
    );
    device.output_on().await.unwrap();
    assert!(device.set(Amps::new(2.5), Volts::new(7.3)).await.unwrap());
    let reading = device.read().await.unwrap();
    assert_eq!((reading.volts.get(), reading.amps.get()), (7.02, 2.5));
    assert_eq!(reading.output, Some(true));
    assert_eq!(reading.regulation, Some(Regulation::ConstantCurrent));
    assert_eq!(reading.set_amps.map(Amps::get), Some(2.5));
    assert_eq!(reading.set_volts.map(Volts::get), Some(7.3));
    device.off().await.unwrap();
    assert!(!bench.lock().unwrap().on);
    assert!(device.errors().is_empty(), "{:?}", device.errors());
}

#[tokio::test(start_paused = true)]
async fn a_setpoint_that_is_already_there_is_not_written_again() {
    let bench = bench();
    let mut device = connected(&bench).await;
    assert!(device.set(Amps::new(1.0), Volts::new(5.0)).await.unwrap());
    let writes = device.writes();
    heard(&bench);
    // A tenth of a step is no change either.
    assert!(!device.set(Amps::new(1.0001), Volts::new(5.0)).await.unwrap());
    assert!(heard(&bench).is_empty() && device.writes() == writes);
}

#[tokio::test(start_paused = true)]
async fn what_is_lowered_goes_first() {
    let bench = bench();
    let mut device = connected(&bench).await;
    for (amps, volts, first) in
        [(1.0, 5.0, "CURR"), (2.0, 4.0, "VOLT"), (1.0, 6.0, "CURR"), (0.5, 3.0, "CURR")]
    {
        heard(&bench);
        device.set(Amps::new(amps), Volts::new(volts)).await.unwrap();
        assert!(heard(&bench)[0].starts_with(first), "{amps} A {volts} V");
    }
}

#[tokio::test(start_paused = true)]
async fn another_instrument_on_the_port_is_refused_by_name() {
    let bench = bench();
    let mut device = Device::new(spec(Some("SN 7")), dialect(), Clock::new());
    let trouble = device.connect_over(serve(&bench)).await.unwrap_err();
    assert_eq!(trouble.kind(), "wrong-identity");
    let text = trouble.to_string();
    assert!(text.contains("SN 7") && text.contains("BENCH 12-10,0042"), "{text}");
    assert!(!device.is_connected());
}

#[tokio::test(start_paused = true)]
async fn late_reply_to_timed_out_read_is_not_used_for_next_read() {
    let bench = bench();
    let mut device = connected(&bench).await;
    device.read().await.unwrap();
    bench.lock().unwrap().measured = ("1.111".into(), "0.111".into());
    // 0.8 s: after our time-out of 0.5 s, inside the time in which the next answer would be awaited.
    slip(&bench, &[Slip::Late(Duration::from_millis(800))]);
    assert_eq!(device.read().await.unwrap_err().kind(), "no-reply");
    bench.lock().unwrap().measured = ("2.222".into(), "0.222".into());
    heard(&bench);
    let reading = device.read().await.unwrap();
    assert_eq!((reading.volts.get(), reading.amps.get()), (2.222, 0.222));
    assert_eq!(heard(&bench)[0], "*IDN?", "a known question comes before anything that is believed");
}

#[tokio::test(start_paused = true)]
async fn a_reply_far_too_late_never_shifts_the_answers_by_one() {
    // Whatever the delay, no later reading carries the values of an earlier question.
    for late in [501, 750, 999, 1000, 1150, 1500, 3200, 5000] {
        let bench = bench();
        let mut device = connected(&bench).await;
        device.read().await.unwrap();
        slip(&bench, &[Slip::Late(Duration::from_millis(late))]);
        for round in 0..12 {
            let value = format!("{round}.500");
            bench.lock().unwrap().measured = (value.clone(), value);
            if let Ok(reading) = device.read().await {
                assert_eq!(reading.volts.get(), f64::from(round) + 0.5, "late by {late} ms");
            } else {
                assert!(round < 8, "late by {late} ms never heals");
            }
        }
    }
}

#[tokio::test(start_paused = true)]
async fn every_doubtful_reply_is_an_error_of_its_kind_and_then_the_line_heals() {
    let raw = |text: &str| Slip::Raw(text.as_bytes().to_vec());
    for (bad, kind) in [
        (Slip::Silent, "no-reply"),
        (raw("7.020;2.5"), "truncated"),
        (raw("\n"), "garbled"),
        (raw("7.020\n"), "garbled"),
        (raw("7.020;2.500;1;0;0\n"), "garbled"),
        (Slip::Raw(b"7.0\xff2;2.500;1;0\n".to_vec()), "garbled"),
        (raw("7.020;2.500;1;2.5\n7.020;2.500;1;2.5\n"), "garbled"),
        (raw("7.020;2.500;1.000;2.5\n"), "wrong-type"),
        (raw("7.020;ERR;1;2.5\n"), "wrong-type"),
        (raw("7.020;9.91E37;1;2.5\n"), "out-of-range"),
        (raw("7020;2.5;1;2.5\n"), "out-of-range"),
        (Slip::Raw(vec![b'7'; 2000]), "endless"),
        (Slip::Slow(Duration::from_millis(140)), "endless"),
    ] {
        let bench = bench();
        let mut device = connected(&bench).await;
        device.read().await.unwrap();
        slip(&bench, std::slice::from_ref(&bad));
        let trouble = device.read().await.expect_err(&format!("{bad:?}"));
        assert_eq!(trouble.kind(), kind, "{bad:?}: {trouble}");
        assert_eq!(device.errors().get(kind), Some(&1));
        let healed = async {
            loop {
                if let Ok(reading) = device.read().await {
                    return reading;
                }
            }
        };
        let reading = tokio::time::timeout(Duration::from_secs(20), healed).await.expect("heals");
        assert_eq!(reading.volts.get(), 7.02, "{bad:?}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_babbling_line_is_given_up_in_bounded_time() {
    let bench = bench();
    let mut device = connected(&bench).await;
    slip(&bench, &[Slip::Endless]);
    let begun = Instant::now();
    assert_eq!(device.read().await.unwrap_err().kind(), "endless");
    assert_eq!(device.read().await.unwrap_err().kind(), "endless");
    assert!(begun.elapsed() < Duration::from_secs(10), "{:?}", begun.elapsed());
}

#[tokio::test(start_paused = true)]
async fn a_hang_up_is_gone_and_closes_the_port() {
    let bench = bench();
    let mut device = connected(&bench).await;
    slip(&bench, &[Slip::HangUp]);
    let trouble = device.read().await.unwrap_err();
    assert!(trouble.is_gone() && trouble.kind() == "gone", "{trouble}");
    assert!(!device.is_connected());
    assert_eq!(device.read().await.unwrap_err().kind(), "gone");
}

/// Error numbers of SCPI-1999 vol. 2, chapter 21.
#[tokio::test(start_paused = true)]
async fn an_entry_in_the_error_queue_refuses_the_set() {
    for (code, entry) in [
        (-113, "-113,\"Undefined header\""),
        (-222, "-222,\"Data out of range;VOLT 99\""),
        (-350, "-350,\"Queue overflow\""),
    ] {
        let bench = bench();
        let mut device = connected(&bench).await;
        bench.lock().unwrap().refuses = Some(("CURR ".into(), entry.into()));
        let trouble = device.set(Amps::new(1.0), Volts::new(5.0)).await.unwrap_err();
        assert!(matches!(&trouble, Trouble::Refused { code: c, .. } if *c == code), "{trouble}");
        assert!(trouble.to_string().contains("CURR 1.000"), "{trouble}");
        // What was refused is not taken for set: it is written again.
        bench.lock().unwrap().refuses = None;
        assert!(device.set(Amps::new(1.0), Volts::new(5.0)).await.unwrap());
        assert_eq!(bench.lock().unwrap().amps, "1.000");
    }
}

#[tokio::test(start_paused = true)]
async fn no_setpoint_goes_out_while_the_line_is_suspect() {
    let bench = bench();
    let mut device = connected(&bench).await;
    slip(&bench, &[Slip::Silent, Slip::Silent, Slip::Silent, Slip::Silent]);
    device.read().await.unwrap_err();
    heard(&bench);
    device.set(Amps::new(3.0), Volts::new(5.0)).await.unwrap_err();
    assert_eq!(heard(&bench), ["*IDN?"]);
}

#[tokio::test(start_paused = true)]
async fn nonsense_for_a_setpoint_never_reaches_the_wire() {
    let bench = bench();
    let mut device = connected(&bench).await;
    heard(&bench);
    for amps in [f64::NAN, -1.0, f64::INFINITY, 1e9] {
        let trouble = device.set(Amps::new(amps), Volts::new(5.0)).await.unwrap_err();
        assert!(trouble.to_string().contains("not sent"), "{trouble}");
    }
    assert!(heard(&bench).is_empty());
}

#[tokio::test(start_paused = true)]
async fn off_is_written_at_once_even_when_the_line_is_suspect() {
    let bench = bench();
    let mut device = connected(&bench).await;
    device.output_on().await.unwrap();
    slip(&bench, &[Slip::Silent]);
    device.read().await.unwrap_err();
    heard(&bench);
    let begun = Instant::now();
    let off = device.off();
    let told = async {
        while bench.lock().unwrap().heard.is_empty() {
            sleep(Duration::from_millis(1)).await;
        }
        begun.elapsed()
    };
    let (off, told) = tokio::join!(off, told);
    off.unwrap();
    assert!(told < Duration::from_millis(20), "{told:?}");
    assert_eq!(heard(&bench)[0], "OUTP OFF");
    assert!(!bench.lock().unwrap().on);
}

#[tokio::test(start_paused = true)]
async fn a_late_zero_is_not_taken_for_off() {
    let bench = bench();
    let mut device = connected(&bench).await;
    // It was off when asked; the answer comes late, after the output went on and stuck there.
    slip(&bench, &[Slip::Late(Duration::from_millis(1200))]);
    device.read().await.unwrap_err();
    {
        let mut b = bench.lock().unwrap();
        b.on = true;
        b.stuck = true;
    }
    assert_eq!(device.off().await.unwrap_err().kind(), "read-back");
    assert!(heard(&bench).iter().filter(|l| *l == "OUTP OFF").count() >= 3);
}

#[tokio::test(start_paused = true)]
async fn off_asks_nobody_for_a_name() {
    let bench = bench();
    let mut device = Device::new(spec(Some("quite another")), dialect(), Clock::new());
    bench.lock().unwrap().on = true;
    device.attach(Session::over(Box::new(serve(&bench)), &spec(None), &dialect()));
    device.off().await.unwrap();
    assert_eq!(heard(&bench)[1], "OUTP OFF", "after a line end that finishes what somebody else began");
    assert!(!bench.lock().unwrap().on);
}

#[tokio::test(start_paused = true)]
async fn a_call_dropped_half_way_leaves_a_suspect_line_not_a_shifted_one() {
    let bench = bench();
    let mut device = connected(&bench).await;
    device.read().await.unwrap();
    slip(&bench, &[Slip::Late(Duration::from_millis(300))]);
    assert!(tokio::time::timeout(Duration::from_millis(100), device.read()).await.is_err());
    bench.lock().unwrap().measured = ("3.000".into(), "1.000".into());
    heard(&bench);
    assert_eq!(device.read().await.unwrap().volts.get(), 3.0);
    assert_eq!(heard(&bench)[0], "*IDN?");
}

#[tokio::test(start_paused = true)]
async fn protections_that_do_not_read_back_stop_the_preparation() {
    let bench = bench();
    let mut device = connected(&bench).await;
    bench.lock().unwrap().refuses = Some(("VOLT:PROT ".into(), "0,\"\"".into()));
    let trouble = device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap_err();
    assert_eq!(
        trouble.to_string(),
        "the supply was told over-voltage level 9.000 and reports 0.000",
        "{trouble}"
    );
}

#[tokio::test(start_paused = true)]
async fn a_supply_that_trips_says_so_in_the_same_reading() {
    let bench = bench();
    let mut device = connected(&bench).await;
    device.output_on().await.unwrap();
    device.read().await.unwrap();
    {
        let mut b = bench.lock().unwrap();
        b.on = false;
        b.tripped = true;
    }
    let reading = device.read().await.unwrap();
    assert_eq!((reading.output, reading.faults.over_voltage), (Some(false), true));
}

#[tokio::test(start_paused = true)]
async fn what_somebody_changes_at_the_front_panel_shows_within_a_round() {
    let bench = bench();
    let mut device = connected(&bench).await;
    device.set(Amps::new(2.0), Volts::new(5.0)).await.unwrap();
    device.read().await.unwrap();
    bench.lock().unwrap().amps = "4.000".into();
    let mut seen = 0;
    for _ in 0..5 {
        seen += u32::from(device.read().await.unwrap().set_amps.map(Amps::get) == Some(4.0));
    }
    assert!(seen >= 1);
}

#[tokio::test(start_paused = true)]
async fn bytes_that_nobody_asked_for_are_drained_and_counted_at_connect() {
    let bench = bench();
    let (ours, mut theirs) = duplex(4096);
    theirs.write_all(b"AT+boot\r\n").await.unwrap();
    let inner = serve(&bench);
    tokio::spawn(async move {
        let mut inner = inner;
        let _ = tokio::io::copy_bidirectional(&mut theirs, &mut inner).await;
    });
    bench.lock().unwrap().queue.push_back("500,\"Power on\"".into());
    let mut device = Device::new(spec(None), dialect(), Clock::new());
    let identity = device.connect_over(ours).await.unwrap();
    assert_eq!((identity.unsolicited, identity.pinned), (9, false));
    assert_eq!(identity.left_in_queue, ["500 Power on"]);
}

/// Issue: 90 % of what the wire allows at 9600 baud, bytes x 10 bits plus the dialect's minimum gap.
/// Virtual time: what is measured is our own waiting, not the machine.
#[tokio::test(start_paused = true)]
async fn polling_leaves_no_more_than_a_tenth_of_a_9600_baud_line_unused() {
    let bench = bench();
    let byte_time = Duration::from_secs(1) * 10 / 9600;
    let (ours, theirs) = duplex(4096);
    serve_on(&bench, theirs, byte_time);
    let mut device = Device::new(
        Spec { port: Port::Serial("/dev/nowhere".into()), ..spec(None) },
        dialect(),
        Clock::new(),
    );
    device.connect_over(ours).await.unwrap();
    device.read().await.unwrap();
    bench.lock().unwrap().carried = 0;
    let begun = Instant::now();
    for _ in 0..100 {
        device.read().await.unwrap();
    }
    let took = begun.elapsed().as_secs_f64();
    let wire = bench.lock().unwrap().carried as f64 * byte_time.as_secs_f64();
    let ideal = wire + 100.0 * device.dialect().timing.min_gap.as_secs_f64();
    assert!(ideal / took >= 0.9, "{:.3} of the wire, {:.1} polls a second", ideal / took, 100.0 / took);
    assert!(ideal / took <= 1.0, "the clock of this test is wrong");
}

#[test]
fn every_word_of_every_dialect_is_understood_by_the_bench() {
    // A stray `?` or a misspelt header would end in the error queue.
    for dialect in dialect::shipped() {
        let dialect::Kind::Scpi(scpi) = &dialect.kind else { continue };
        let (ov, oc) = (scpi.over_voltage.clone().unwrap(), scpi.over_current.clone().unwrap());
        let bench = bench();
        let mut b = bench.lock().unwrap();
        for set in [&scpi.set_volts, &scpi.set_amps, &ov.level, &oc.level] {
            assert_eq!(b.answer(&format!("{set} 1.000")), None);
        }
        for told in [&scpi.output_on, &scpi.output_off, &scpi.clear_status, &ov.clear, &oc.clear] {
            assert_eq!(b.answer(told), None);
        }
        assert!(b.queue.is_empty(), "{:?}", b.queue);
    }
}

#[tokio::test(start_paused = true)]
async fn commissioning_finds_a_meter_that_lies_and_a_protection_that_does_not_trip() {
    // This bench reads 2.5 A whatever is set, and never trips.
    let bench = bench();
    let mut device = connected(&bench).await;
    let trial = Trial { load: TrialLoad::Resistor, amps: Amps::new(0.5), volts: Volts::new(9.0) };
    let result = device.commission(trial).await.unwrap();
    assert!(!result.passed());
    assert!(matches!(&result.current, Verdict::Wrong(why) if why.contains("2.500 A is read")), "{result}");
    assert!(matches!(&result.over_voltage, Verdict::Wrong(why) if why.contains("no trip")), "{result}");
    assert!(matches!(&result.off, Verdict::Wrong(why) if why.contains("still flows")), "{result}");
    assert!(!bench.lock().unwrap().on);
    // And it goes off as well when it ends early.
    slip(&bench, &vec![Slip::Silent; 60]);
    device.commission(trial).await.unwrap_err();
    bench.lock().unwrap().slips.clear();
    device.off().await.unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_end_in_time_without_a_value_nobody_sent(
        pieces in proptest::collection::vec((proptest::collection::vec(any::<u8>(), 0..40), 0u64..400), 0..6)
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build().unwrap();
        runtime.block_on(async {
            let (ours, mut theirs) = duplex(4096);
            let sent: Vec<u8> = pieces.iter().flat_map(|(bytes, _)| bytes.clone()).collect();
            let feeder = tokio::spawn(async move {
                for (bytes, pause) in pieces {
                    sleep(Duration::from_millis(pause)).await;
                    let _ = theirs.write_all(&bytes).await;
                }
                // Held open: silence, not a hang-up.
                sleep(Duration::from_secs(3600)).await;
                drop(theirs);
            });
            let mut device = Device::new(spec(None), dialect(), Clock::new());
            device.attach(Session::over(Box::new(ours), &spec(None), &dialect()));
            let begun = Instant::now();
            let read = device.read().await;
            assert!(begun.elapsed() < Duration::from_secs(30));
            assert!(read.is_err(), "{read:?} from {}", sent.escape_ascii());
            let begun = Instant::now();
            assert!(device.off().await.is_err());
            assert!(begun.elapsed() < Duration::from_secs(60));
            feeder.abort();
        });
    }

    #[test]
    fn a_reply_split_anywhere_reads_the_same(cuts in proptest::collection::vec(1usize..6, 0..8), pause in 0u64..149) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build().unwrap();
        runtime.block_on(async {
            let bench = bench();
            let (ours, theirs) = duplex(4096);
            let inner = serve(&bench);
            let (mut from_inner, mut to_inner) = tokio::io::split(inner);
            let (mut from_us, mut to_us) = tokio::io::split(theirs);
            tokio::spawn(async move { tokio::io::copy(&mut from_us, &mut to_inner).await });
            tokio::spawn(async move {
                use tokio::io::AsyncReadExt;
                let mut cuts = cuts.into_iter().cycle();
                let mut buffer = [0; 8];
                loop {
                    let take = cuts.next().unwrap_or(8);
                    let Ok(n @ 1..) = from_inner.read(&mut buffer[..take]).await else { return };
                    if to_us.write_all(&buffer[..n]).await.is_err() { return }
                    sleep(Duration::from_millis(pause.min(20))).await;
                }
            });
            let mut device = Device::new(spec(None), dialect(), Clock::new());
            device.connect_over(ours).await.unwrap();
            let reading = device.read().await.unwrap();
            assert_eq!((reading.volts.get(), reading.amps.get()), (7.02, 2.5));
            assert!(device.errors().is_empty());
        });
    }
}
