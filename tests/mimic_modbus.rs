//! Our Modbus driver against our mimic, over a real pty and over TCP, in real
//! time: every fault of the link ends in its own trouble, and in no number.
//! Independent peers of both are in `peers.rs`.
#![cfg(feature = "daemon")]

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tankside::mimic::modbus::WordOrder;
use tankside::mimic::{Fault, Options, Protocol, Running, start};
use tankside::quantity::{Amps, Regulation, Span, Volts};
use tankside::supply::{Clock, Device, Parity, Port, Spec, Wiring, dialect};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout};
use tokio_serial::SerialPortBuilderExt;

/// Long enough for a loaded machine, short enough that a hang is noticed.
const PATIENCE: Duration = Duration::from_secs(10);

fn any() -> Option<SocketAddr> {
    Some(([127, 0, 0, 1], 0).into())
}

async fn mimic(baud: Option<u32>) -> Running {
    let protocol = Protocol::Modbus(WordOrder::Abcd);
    start(Options { protocol, baud, tcp: any(), serial: "70000".into(), ..Options::default() }).await.unwrap()
}

/// The two ways to it: RTU on the pty, Modbus TCP.
fn ports(mimic: &Running) -> [Port; 2] {
    [Port::Serial(mimic.pty().unwrap()), Port::Tcp(mimic.tcp().unwrap().to_string())]
}

fn device(port: Port) -> Device {
    let example = dialect::shipped().into_iter().find(|d| d.name == "modbus-example").unwrap();
    let spec = Spec {
        dialect: example.name.clone(),
        port,
        baud: 115_200,
        parity: Parity::None,
        two_stop_bits: false,
        identity: Some("544b 4d31 0001 1170".into()),
        wiring: Wiring::default(),
    };
    Device::new(spec, Arc::new(example), Clock::new())
}

async fn plating(port: Port) -> Device {
    let mut device = device(port);
    device.connect().await.unwrap();
    device.prepare(Volts::new(8.0), Amps::new(3.0), Volts::new(6.0)).await.unwrap();
    device.output_on().await.unwrap();
    device.set(Amps::new(2.0), Volts::new(6.0)).await.unwrap();
    device
}

#[tokio::test]
async fn a_part_is_plated_over_registers_and_the_truth_agrees() {
    let mimic = mimic(Some(115_200)).await;
    for port in ports(&mimic) {
        let mut device = plating(port).await;
        // The output slews; wait for it to arrive, not for a time.
        let reading = timeout(PATIENCE, async {
            loop {
                let reading = device.read().await.unwrap();
                if reading.amps > Amps::new(1.99) && reading.regulation == Some(Regulation::ConstantCurrent) {
                    return reading;
                }
            }
        })
        .await
        .unwrap();
        let truth = mimic.with_bench(|bench, _| bench.truth());
        assert!(truth.output);
        assert!((truth.volts - reading.volts).abs() < Volts::new(0.1), "{reading:?} {truth:?}");
        assert_eq!((reading.set_amps, reading.set_volts), (Some(Amps::new(2.0)), Some(Volts::new(6.0))));
        mimic.with_bench(|bench, now| bench.fault(now, Fault::FrontPanelCurrent(Amps::new(1.0)), None));
        assert_eq!(device.read().await.unwrap().set_amps, Some(Amps::new(1.0)), "a hand at the front panel");
        mimic.with_bench(|bench, now| bench.fault(now, Fault::SupplyTrips, None));
        let reading = device.read().await.unwrap();
        assert!(reading.faults.over_temperature && reading.output == Some(false), "{reading:?}");
        device.prepare(Volts::new(8.0), Amps::new(3.0), Volts::new(6.0)).await.unwrap();
        assert!(!device.read().await.unwrap().faults.over_temperature, "cleared by the preparation");
        device.close();
    }
}

#[tokio::test]
async fn every_fault_of_the_link_is_a_trouble_of_its_own_and_never_a_number() {
    let late = Fault::LateReply(Span::new(0.8));
    // Where the changed bytes lie decides whether a garbled answer is wrong or seems to break off.
    let cases: [(Fault, &[&str]); 5] = [
        (Fault::LinkDrops, &["no-reply"]),
        (late, &["no-reply"]),
        (Fault::Garbled, &["garbled", "truncated"]),
        (Fault::Truncated, &["truncated"]),
        (Fault::WrongType, &["device-busy"]),
    ];
    let mimic = mimic(Some(115_200)).await;
    for port in ports(&mimic) {
        let mut device = plating(port).await;
        for (fault, kinds) in cases {
            mimic.with_bench(|bench, now| bench.fault(now, fault, None));
            let trouble = device.read().await.unwrap_err();
            assert!(kinds.contains(&trouble.kind()), "{}: {trouble}", fault.name());
            mimic.with_bench(|bench, now| bench.clear_faults(now));
            // What is still on its way is waited for and thrown away; then it is believed again.
            let reading = timeout(PATIENCE, async {
                loop {
                    if let Ok(reading) = device.read().await {
                        return reading;
                    }
                }
            })
            .await
            .unwrap_or_else(|_| panic!("{} heals", fault.name()));
            assert_eq!(reading.set_amps, Some(Amps::new(2.0)), "{}", fault.name());
            assert_eq!(reading.output, Some(true), "{}", fault.name());
        }
        device.off().await.unwrap();
        assert!(!mimic.with_bench(|bench, _| bench.truth().output));
        device.close();
    }
}

#[tokio::test]
async fn an_unplugged_line_is_gone_and_off_is_said_again_after_the_replug() {
    let mimic = mimic(None).await;
    let mut device = plating(Port::Tcp(mimic.tcp().unwrap().to_string())).await;
    mimic.with_bench(|bench, now| bench.fault(now, Fault::Unplug, None));
    let trouble = timeout(PATIENCE, async {
        loop {
            if let Err(trouble) = device.read().await {
                return trouble;
            }
        }
    })
    .await
    .unwrap();
    assert!(trouble.is_gone(), "{trouble}");
    assert!(mimic.with_bench(|bench, _| bench.truth().output), "nobody could switch it off");
    mimic.with_bench(|bench, now| bench.clear_faults(now));
    timeout(PATIENCE, async { while device.connect().await.is_err() {} }).await.unwrap();
    device.off().await.unwrap();
    assert!(!mimic.with_bench(|bench, _| bench.truth().output));
}

/// The request has 8 bytes, the answer 19; between them, and before the next
/// question, lie 3.5 characters (MODBUS over Serial Line V1.02, section 2.5.1.1).
#[tokio::test]
async fn rtu_on_the_pty_is_no_faster_than_its_wire() {
    let options = Options {
        protocol: Protocol::Modbus(WordOrder::Abcd),
        reply_delay: Duration::ZERO,
        baud: Some(9600),
        ..Options::default()
    };
    let mimic = start(options).await.unwrap();
    let path = mimic.pty().unwrap();
    let mut line = tokio_serial::new(path.to_str().unwrap(), 9600).open_native_async().unwrap();
    let request = tankside::mimic::modbus::rtu(1, &[3, 0, 16, 0, 7]);
    let begin = Instant::now();
    for _ in 0..20 {
        line.write_all(&request).await.unwrap();
        let mut reply = [0; 19];
        timeout(PATIENCE, line.read_exact(&mut reply)).await.unwrap().unwrap();
        assert_eq!(tankside::mimic::modbus::crc(&reply), 0);
    }
    let wire = 20.0 * (27.0 * 10.0 / 9600.0 + 0.004);
    let ratio = begin.elapsed().as_secs_f64() / wire;
    assert!(ratio > 0.99, "faster than the wire: {ratio}");
}

#[tokio::test]
async fn a_frame_for_another_address_is_obeyed_by_nobody_and_one_for_all_is_not_answered() {
    let mimic = mimic(None).await;
    let path = mimic.pty().unwrap();
    let mut line = tokio_serial::new(path.to_str().unwrap(), 9600).open_native_async().unwrap();
    // 250 mA for unit 2, 300 mA for everybody, then a question to unit 1: one answer in all.
    for frame in [
        tankside::mimic::modbus::rtu(2, &[6, 0, 2, 0, 250]),
        tankside::mimic::modbus::rtu(0, &[6, 0, 2, 1, 44]),
        tankside::mimic::modbus::rtu(1, &[3, 0, 22, 0, 1]),
    ] {
        line.write_all(&frame).await.unwrap();
        // The silence between frames, kept by the device's own clock: it must have taken the frame first.
        let taken = mimic.with_bench(|_, now| now);
        timeout(PATIENCE, async {
            while mimic.with_bench(|_, now| now).since(taken) < Duration::from_millis(30) {
                tokio::task::yield_now().await;
            }
        })
        .await
        .unwrap();
    }
    let mut reply = [0; 7];
    timeout(PATIENCE, line.read_exact(&mut reply)).await.unwrap().unwrap();
    assert_eq!(reply[..], tankside::mimic::modbus::rtu(1, &[3, 2, 1, 44]));
}

#[tokio::test]
async fn nonsense_over_tcp_ends_that_connection_and_no_other() {
    let mimic = mimic(None).await;
    let mut good = TcpStream::connect(mimic.tcp().unwrap()).await.unwrap();
    let mut bad = TcpStream::connect(mimic.tcp().unwrap()).await.unwrap();
    bad.write_all(b"*IDN?\n\n\n").await.unwrap();
    let mut byte = [0; 1];
    assert_eq!(timeout(PATIENCE, bad.read(&mut byte)).await.unwrap().unwrap_or(0), 0, "closed");
    good.write_all(&tankside::mimic::modbus::tcp(9, 1, &[3, 0, 32, 0, 1])).await.unwrap();
    let mut reply = [0; 11];
    timeout(PATIENCE, good.read_exact(&mut reply)).await.unwrap().unwrap();
    assert_eq!(reply[..], tankside::mimic::modbus::tcp(9, 1, &[3, 2, 0x54, 0x4b]));
}
