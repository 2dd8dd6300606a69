//! A whole device against a supply that answers with these bytes, in these
//! pieces, with these pauses, in virtual time: no panic, no hang, and no
//! reading but from an answer that was there.
//!
//! The first byte is how many questions a sound supply (the mimic) answers
//! before; then come steps: one byte of pause (in 8 ms), one of length, so many
//! bytes to say. Each question lets one step go. After the last the supply is
//! sound again.
#![no_main]

use libfuzzer_sys::fuzz_target;
use std::sync::Arc;
use std::time::Duration;
use tankside::mimic::scpi::{Input, Instrument};
use tankside::mimic::{Bench, Rating, Setup};
use tankside::quantity::{Amps, Mono, Volts};
use tankside::supply::{Clock, Device, Parity, Port, Spec, Wiring, dialect};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, duplex, split};
use tokio::time::{Instant, sleep};

/// Virtual time that the whole story may take: far more than its time-outs add up to.
const LONGEST: Duration = Duration::from_secs(3600);

fuzz_target!(|bytes: &[u8]| {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build();
    runtime.expect("a runtime").block_on(story(bytes.to_vec()));
});

async fn story(script: Vec<u8>) {
    let (ours, theirs) = duplex(1024);
    let peer = tokio::spawn(async move {
        let (read, mut write) = split(theirs);
        let mut lines = BufReader::new(read).lines();
        let (&(mut sound), mut rest) = script.split_first().unwrap_or((&0, &[]));
        let mut bench = Bench::new(Setup::default(), Mono::ZERO);
        let mut instrument = Instrument::new(&Rating::default(), "7");
        let mut input = Input::default();
        while let Ok(Some(line)) = lines.next_line().await {
            let answer = instrument.take(&mut input, &mut bench, Mono::ZERO, format!("{line}\n").as_bytes());
            if !line.contains('?') {
                continue;
            }
            let (pause, said) = match *rest {
                [pause, length, ref tail @ ..] if sound == 0 => {
                    let (said, tail) = tail.split_at(usize::from(length).min(tail.len()));
                    rest = tail;
                    (pause, said)
                }
                _ => (0, &answer[..]),
            };
            sound = sound.saturating_sub(1);
            sleep(Duration::from_millis(8 * u64::from(pause))).await;
            if write.write_all(said).await.is_err() {
                return;
            }
        }
    });
    let scpi = dialect::shipped().into_iter().find(|d| d.name == "scpi").expect("a shipped dialect");
    let (volts_most, amps_most) = (scpi.range.volts_most, scpi.range.amps_most);
    let spec = Spec {
        dialect: "scpi".into(),
        port: Port::Tcp("nowhere:1".into()),
        baud: 9600,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring: Wiring::default(),
    };
    let begin = Instant::now();
    let mut device = Device::new(spec, Arc::new(scpi), Clock::new());
    if let Ok(who) = device.connect_over(ours).await {
        assert!(!who.text.is_empty() && who.text.len() <= 512, "{who:?}");
        let _ = device.prepare(Volts::new(8.0), Amps::new(3.0), Volts::new(6.0)).await;
        for _ in 0..6 {
            if let Ok(reading) = device.read().await {
                assert!(reading.volts.get().abs() <= volts_most.get(), "{reading:?}");
                assert!(reading.amps.get().abs() <= amps_most.get(), "{reading:?}");
            }
        }
        let _ = device.off().await;
    }
    device.close();
    assert!(begin.elapsed() < LONGEST, "{:?}", begin.elapsed());
    peer.abort();
}
