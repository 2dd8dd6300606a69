//! A whole device against a Modbus supply that answers with these bytes, in
//! these pieces, with these pauses, in virtual time: no panic, no hang, and no
//! reading beyond what the dialect believes.
//!
//! The first byte chooses RTU or TCP and how many questions a sound supply (the
//! mimic) answers before. Then steps: one byte of mode (0 raw bytes,
//! 1 a reply that is framed and summed for the question, 2 the right answer), one
//! of pause (in 8 ms), one of length, so many bytes. Each question lets one step go.
#![no_main]

use libfuzzer_sys::fuzz_target;
use std::sync::Arc;
use std::time::Duration;
use tankside::mimic::modbus::{Registers, RtuInput, TcpInput, TcpRequest, WordOrder, rtu, tcp};
use tankside::mimic::{Bench, Setup};
use tankside::quantity::{Amps, Mono, Volts};
use tankside::supply::{Clock, Device, Parity, Port, Spec, Wiring, dialect};
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::time::{Instant, sleep};

/// Virtual time that the whole story may take: far more than its time-outs add up to.
const LONGEST: Duration = Duration::from_secs(3600);

fuzz_target!(|bytes: &[u8]| {
    let Some((first, script)) = bytes.split_first() else { return };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build();
    runtime.expect("a runtime").block_on(story(first & 1 == 1, first >> 1, script.to_vec()));
});

async fn story(is_tcp: bool, sound: u8, script: Vec<u8>) {
    let (ours, theirs) = duplex(1024);
    let peer = tokio::spawn(serve(is_tcp, sound, script, theirs));
    let example = dialect::shipped().into_iter().find(|d| d.name == "modbus-example").expect("shipped");
    let (volts_most, amps_most) = (example.range.volts_most, example.range.amps_most);
    let nowhere = "nowhere:1".to_owned();
    let spec = Spec {
        dialect: example.name.clone(),
        port: if is_tcp { Port::Tcp(nowhere) } else { Port::Bridge(nowhere) },
        baud: 19_200,
        parity: Parity::None,
        two_stop_bits: false,
        identity: None,
        wiring: Wiring::default(),
    };
    let begin = Instant::now();
    let mut device = Device::new(spec, Arc::new(example), Clock::new());
    if device.connect_over(ours).await.is_ok() {
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

async fn serve(is_tcp: bool, mut sound: u8, script: Vec<u8>, mut stream: DuplexStream) {
    let mut bench = Bench::new(Setup::default(), Mono::ZERO);
    let registers = Registers::new("815", WordOrder::Abcd);
    let (mut line, mut socket) = (RtuInput::default(), TcpInput::default());
    let mut rest = &script[..];
    let mut chunk = [0; 512];
    while let Ok(count @ 1..) = stream.read(&mut chunk).await {
        let asked = if is_tcp {
            socket.push(&chunk[..count]);
            socket.take().expect("the driver frames well")
        } else {
            line.push(&chunk[..count]);
            line.is_whole().then(|| line.silence()).flatten().map(|(unit, pdu)| TcpRequest {
                transaction: 0,
                unit,
                pdu,
            })
        };
        let Some(asked) = asked else { continue };
        let frame = |pdu: &[u8]| {
            if is_tcp { tcp(asked.transaction, asked.unit, pdu) } else { rtu(asked.unit, pdu) }
        };
        // A script that is over goes on as a sound supply, so that stories get far.
        let (mode, pause, said) = match *rest {
            [mode, pause, length, ref tail @ ..] if sound == 0 => {
                let (said, tail) = tail.split_at(usize::from(length).min(tail.len()));
                rest = tail;
                (mode, pause, said)
            }
            _ => (2, 0, &[][..]),
        };
        sound = sound.saturating_sub(1);
        let reply = match mode % 3 {
            0 => said.to_vec(),
            1 => frame(&said[..said.len().min(253)]),
            _ => frame(&registers.answer(&mut bench, Mono::ZERO, &asked.pdu)),
        };
        sleep(Duration::from_millis(8 * u64::from(pause))).await;
        if stream.write_all(&reply).await.is_err() {
            return;
        }
    }
}
