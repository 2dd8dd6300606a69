//! The Modbus side against a unit that is late, wrong or garbled on cue, in
//! virtual time. Its frames and its CRC are made here by hand, not by the
//! library that reads them.

mod dice;
mod setpoints;
mod tables;

use super::fake::spec as scpi_spec;
use super::session::Session;
use super::*;
use crate::quantity::{Amps, Regulation, Volts};
use dice::Dice;
use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::time::{Instant, sleep};

/// CRC-16 as the *Modbus over Serial Line Specification and Implementation Guide V1.02*, section 6.2.2, has it.
fn crc(bytes: &[u8]) -> [u8; 2] {
    let mut crc = 0xffff_u16;
    for byte in bytes {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { crc >> 1 ^ 0xa001 } else { crc >> 1 };
        }
    }
    crc.to_le_bytes()
}

#[test]
fn the_crc_is_that_of_the_specification() {
    // The example frame of the serial line guide, section 6.2.2: 02 07 gives 41 12 on the wire.
    assert_eq!(crc(&[0x02, 0x07]), [0x41, 0x12]);
    // A read of one holding register, widely printed: 01 03 00 00 00 01 gives 84 0a.
    assert_eq!(crc(&[0x01, 0x03, 0, 0, 0, 1]), [0x84, 0x0a]);
}

/// What becomes of the next answer.
#[derive(Clone, Debug)]
enum Slip {
    Fine,
    Late(Duration),
    Silent,
    /// These bytes instead.
    Raw(Vec<u8>),
    /// This exception instead.
    Exception(u8),
    /// One bit is turned over.
    BitFlip,
    /// The answer comes in pieces this far apart.
    Pieces(Duration),
}

#[derive(Default)]
struct Unit {
    registers: BTreeMap<u16, u16>,
    slips: VecDeque<Slip>,
    /// Function code and first register of what was asked.
    heard: Vec<(u8, u8, u16)>,
    /// Our own bytes go back first.
    echo: bool,
}

type Units = Arc<Mutex<BTreeMap<u8, Unit>>>;

/// The map of `modbus-example.toml`.
fn map(serial: u16) -> BTreeMap<u16, u16> {
    let mut map: BTreeMap<u16, u16> = (0..64).map(|r| (r, 0)).collect();
    map.extend([(16, 702), (17, 2500), (19, 1)]);
    map.extend([(32, 0x4245), (33, 0x4e43), (34, 0x4820), (35, serial)]);
    // 123456.0 as IEEE 754 binary32 is 0x47f12000 (worked out by hand: 1.8837890625 x 2^16).
    map.extend([(48, 0x47f1), (49, 0x2000)]);
    map
}

fn units(serials: &[(u8, u16)]) -> Units {
    let unit = |serial| Unit { registers: map(serial), ..Unit::default() };
    Arc::new(Mutex::new(serials.iter().map(|(address, serial)| (*address, unit(*serial))).collect()))
}

fn answer(unit: &mut Unit, address: u8, request: &[u8]) -> Option<Vec<u8>> {
    let function = request[1];
    let [first, second] = [2, 4].map(|at| u16::from_be_bytes([request[at], request[at + 1]]));
    unit.heard.push((address, function, first));
    let mut answer = vec![address, function];
    let slip = unit.slips.front().cloned();
    if let Some(Slip::Exception(code)) = slip {
        return Some(vec![address, function | 0x80, code]);
    }
    match function {
        3 | 4 => {
            answer.push(u8::try_from(second * 2).ok()?);
            for register in first..first + second {
                let Some(word) = unit.registers.get(&register) else {
                    return Some(vec![address, function | 0x80, 2]);
                };
                answer.extend(word.to_be_bytes());
            }
        }
        // One coil, the output; what fills up its byte says nothing.
        1 => answer.extend([1, 0b1010_1010 | u8::from(unit.registers[&0] == 1)]),
        5 => {
            unit.registers.insert(0, u16::from(second == 0xff00));
            answer.extend(&request[2..6]);
        }
        6 => {
            let known = unit.registers.get_mut(&first)?;
            *known = second;
            answer.extend(&request[2..6]);
        }
        16 => {
            for (at, pair) in request[7..].chunks_exact(2).take(usize::from(second)).enumerate() {
                let register = first + u16::try_from(at).ok()?;
                unit.registers.insert(register, u16::from_be_bytes([pair[0], pair[1]]));
            }
            answer.extend(&request[2..6]);
        }
        _ => return Some(vec![address, function | 0x80, 1]),
    }
    // What the registers of this map do.
    unit.registers.insert(18, unit.registers[&0]);
    unit.registers.insert(21, unit.registers[&1]);
    unit.registers.insert(22, unit.registers[&2]);
    Some(answer)
}

/// Units on one line, which answer one question after the other, as a half-duplex line does.
fn serve(units: &Units) -> DuplexStream {
    let (ours, theirs) = duplex(4096);
    let units = units.clone();
    tokio::spawn(async move {
        let (mut read, mut write) = tokio::io::split(theirs);
        let mut buffer = Vec::new();
        let mut chunk = [0; 256];
        loop {
            let length = match buffer.get(1) {
                Some(16) => buffer.get(6).map(|n| 9 + usize::from(*n)),
                Some(_) => Some(8),
                None => None,
            };
            let Some(length) = length.filter(|n| buffer.len() >= *n) else {
                let Ok(count @ 1..) = read.read(&mut chunk).await else { return };
                buffer.extend_from_slice(&chunk[..count]);
                continue;
            };
            let request: Vec<u8> = buffer.drain(..length).collect();
            let (body, sum) = request.split_at(length - 2);
            assert_eq!(crc(body), sum, "our own frames are in order");
            let (reply, slip, echo) = {
                let mut units = units.lock().unwrap();
                let Some(unit) = units.get_mut(&body[0]) else { continue };
                let reply = answer(unit, body[0], body);
                (reply, unit.slips.pop_front().unwrap_or(Slip::Fine), unit.echo)
            };
            let Some(mut reply) = reply else { continue };
            reply.extend(crc(&reply));
            if echo {
                write.write_all(&request).await.unwrap();
            }
            match slip {
                Slip::Fine | Slip::Exception(_) => write.write_all(&reply).await.unwrap(),
                Slip::Silent => {}
                Slip::Late(by) => {
                    sleep(by).await;
                    if write.write_all(&reply).await.is_err() {
                        return;
                    }
                }
                Slip::Raw(bytes) => write.write_all(&bytes).await.unwrap(),
                Slip::BitFlip => {
                    reply[3] ^= 0x10;
                    write.write_all(&reply).await.unwrap();
                }
                Slip::Pieces(apart) => {
                    for byte in reply {
                        sleep(apart).await;
                        write.write_all(&[byte]).await.unwrap();
                    }
                }
            }
        }
    });
    ours
}

fn example() -> Arc<Dialect> {
    Arc::new(dialect::shipped().into_iter().find(|d| d.name == "modbus-example").unwrap())
}

fn spec(unit: Option<u8>) -> Spec {
    let wiring = crate::supply::Wiring { unit, ..crate::supply::Wiring::default() };
    let port = Port::Bridge("nowhere:4001".into());
    Spec { dialect: "modbus-example".into(), port, baud: 115_200, wiring, ..scpi_spec(None) }
}

async fn connected(units: &Units) -> Device {
    let mut device = Device::new(spec(None), example(), Clock::new());
    device.connect_over(serve(units)).await.unwrap();
    device
}

fn slip(units: &Units, unit: u8, slips: &[Slip]) {
    units.lock().unwrap().get_mut(&unit).unwrap().slips.extend(slips.iter().cloned());
}

fn set(units: &Units, unit: u8, registers: &[(u16, u16)]) {
    units.lock().unwrap().get_mut(&unit).unwrap().registers.extend(registers.iter().copied());
}

fn get(units: &Units, unit: u8, register: u16) -> u16 {
    units.lock().unwrap()[&unit].registers[&register]
}

#[tokio::test(start_paused = true)]
async fn a_normal_run_of_calls_reaches_the_registers() {
    let units = units(&[(1, 7)]);
    let mut device = Device::new(spec(None), example(), Clock::new());
    let identity = device.connect_over(serve(&units)).await.unwrap();
    assert_eq!(identity.text, "4245 4e43 4820 0007");
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
    device.output_on().await.unwrap();
    assert!(device.set(Amps::new(2.5), Volts::new(7.3)).await.unwrap());
    assert!(!device.set(Amps::new(2.500_01), Volts::new(7.3)).await.unwrap(), "nothing changed");
    let written: Vec<u16> = (0..6).map(|r| get(&units, 1, r)).collect();
    assert_eq!(written, [1, 730, 2500, 900, 6000, 1]);
    let reading = device.read().await.unwrap();
    assert_eq!((reading.volts.get(), reading.amps.get()), (7.02, 2.5));
    assert_eq!((reading.output, reading.regulation), (Some(true), Some(Regulation::ConstantCurrent)));
    assert_eq!(reading.set_volts.map(Volts::get), Some(7.3));
    device.off().await.unwrap();
    assert_eq!(get(&units, 1, 0), 0);
    assert!(device.errors().is_empty(), "{:?}", device.errors());
}

#[tokio::test(start_paused = true)]
async fn what_is_acted_on_is_read_in_one_exchange() {
    let units = units(&[(1, 7)]);
    let mut device = connected(&units).await;
    units.lock().unwrap().get_mut(&1).unwrap().heard.clear();
    device.read().await.unwrap();
    assert_eq!(units.lock().unwrap()[&1].heard, [(1, 3, 16)]);
}

/// The trap of Modbus RTU: an answer has no number. Every register of the unit holds what names its block and the
/// round, so that any value out of place shows.
#[tokio::test(start_paused = true)]
async fn no_stale_register_is_taken_for_another_in_ten_thousand_late_answers() {
    let units = units(&[(1, 7)]);
    let mut device = connected(&units).await;
    let mut random = Dice(4);
    let (mut read, mut lost, mut late, mut pushed) = (0, 0, 0, 0);
    for round in 0_u16.. {
        late += pushed - std::mem::take(&mut units.lock().unwrap().get_mut(&1).unwrap().slips).len();
        if late >= 10_000 {
            break;
        }
        // Volts 1.00 to 1.96 V, amperes 3.000 to 3.088 A: no volts look like amperes, and no round like the last.
        let (volts, amps) = (100 + round % 97, 3000 + round % 89);
        set(&units, 1, &[(16, volts), (17, amps)]);
        // Around the time-out of 500 ms, and far beyond it; in every second round one to three in a row, the known
        // read's answer among them.
        let by = |r: u64| {
            Slip::Late(Duration::from_millis(if r.is_multiple_of(4) { r % 4000 } else { 400 + r % 800 }))
        };
        pushed = if random.roll().is_multiple_of(2) { 1 + (random.roll() % 3) as usize } else { 0 };
        for _ in 0..pushed {
            slip(&units, 1, &[by(random.roll())]);
        }
        if random.roll().is_multiple_of(5) {
            // Whoever waits is dropped half-way.
            let wait = Duration::from_millis(random.roll() % 700);
            let _ = tokio::time::timeout(wait, device.read()).await;
        }
        match device.read().await {
            Ok(reading) => {
                read += 1;
                let expected = (f64::from(volts) / 100.0, f64::from(amps) / 1000.0);
                assert_eq!((reading.volts.get(), reading.amps.get()), expected, "round {round}");
            }
            Err(trouble) => {
                lost += 1;
                assert!(trouble.is_doubtful(), "round {round}: {trouble}");
            }
        }
    }
    assert!(read > 5000 && lost > 5000, "{read} read, {lost} lost: both must happen often");
}

#[tokio::test(start_paused = true)]
async fn a_question_whose_asker_is_gone_is_not_cut_short() {
    let units = units(&[(1, 7)]);
    let mut device = connected(&units).await;
    slip(&units, 1, &[Slip::Late(Duration::from_millis(100))]);
    assert!(tokio::time::timeout(Duration::from_millis(20), device.read()).await.is_err());
    set(&units, 1, &[(16, 555)]);
    let begun = Instant::now();
    assert_eq!(device.read().await.unwrap().volts.get(), 5.55);
    // It waited for the old answer and did not have to make the line quiet.
    assert!(begun.elapsed() < Duration::from_millis(100), "{:?}", begun.elapsed());
    assert!(device.errors().is_empty(), "{:?}", device.errors());
}

#[tokio::test(start_paused = true)]
async fn a_turned_bit_a_foreign_answer_and_a_short_one_are_no_readings() {
    let frame = |body: &[u8]| [body, &crc(body)].concat();
    let other_unit = frame(&[2, 3, 14, 0, 1, 0, 2, 0, 3, 0, 4, 0, 5, 0, 6, 0, 7]);
    let other_length = frame(&[1, 3, 2, 0x04, 0xd2]);
    let other_function = frame(&[1, 4, 14, 0, 1, 0, 2, 0, 3, 0, 4, 0, 5, 0, 6, 0, 7]);
    let two = [other_length.clone(), frame(&[1, 3, 14, 0, 1, 0, 2, 0, 3, 0, 4, 0, 5, 0, 6, 0, 7])].concat();
    let cut = other_unit[..6].to_vec();
    let trailing = [frame(&[1, 3, 14, 0, 1, 0, 2, 0, 1, 0, 1, 0, 0, 0, 6, 0, 7]), vec![0]].concat();
    let bad = [other_unit, other_length, other_function, two, cut, trailing, vec![0xff; 600], vec![0]];
    for slipped in bad.into_iter().map(Slip::Raw).chain([Slip::BitFlip, Slip::Silent]) {
        let units = units(&[(1, 7)]);
        let mut device = connected(&units).await;
        let shown = format!("{slipped:?}");
        slip(&units, 1, &[slipped]);
        let trouble = device.read().await.unwrap_err();
        assert!(trouble.is_doubtful(), "{shown}: {trouble}");
        units.lock().unwrap().get_mut(&1).unwrap().heard.clear();
        assert_eq!(device.read().await.unwrap().volts.get(), 7.02, "{shown}");
        let heard = units.lock().unwrap()[&1].heard.clone();
        assert_eq!(heard, [(1, 3, 32), (1, 3, 16)], "{shown}: a known question comes first");
    }
}

#[tokio::test(start_paused = true)]
async fn an_answer_in_pieces_is_waited_for() {
    let units = units(&[(1, 7)]);
    let mut device = connected(&units).await;
    slip(&units, 1, &[Slip::Pieces(Duration::from_millis(60))]);
    assert_eq!(device.read().await.unwrap().volts.get(), 7.02);
    slip(&units, 1, &[Slip::Pieces(Duration::from_millis(140))]);
    assert_eq!(device.read().await.unwrap_err().kind(), "truncated");
}

#[tokio::test(start_paused = true)]
async fn exceptions_are_told_in_words_and_leave_the_line_in_order() {
    for (code, kind, words) in [
        (1, "refused", "function code"),
        (2, "refused", "no such register"),
        (3, "refused", "length or value"),
        (4, "refused", "front panel"),
        (11, "refused", "gateway"),
        (0x33, "refused", "an exception of its own"),
    ] {
        let units = units(&[(1, 7)]);
        let mut device = connected(&units).await;
        slip(&units, 1, &[Slip::Exception(code)]);
        let trouble = device.read().await.unwrap_err();
        assert_eq!(trouble.kind(), kind, "{trouble}");
        assert!(trouble.to_string().contains(words), "{trouble}");
        units.lock().unwrap().get_mut(&1).unwrap().heard.clear();
        device.read().await.unwrap();
        assert_eq!(units.lock().unwrap()[&1].heard, [(1, 3, 16)], "no known question is needed");
    }
}

#[tokio::test(start_paused = true)]
async fn a_busy_supply_is_asked_again_and_counted() {
    let units = units(&[(1, 7)]);
    let mut device = connected(&units).await;
    slip(&units, 1, &[Slip::Exception(6), Slip::Exception(5)]);
    assert_eq!(device.read().await.unwrap().volts.get(), 7.02);
    assert_eq!(device.errors().get("device-busy"), Some(&2));
    slip(&units, 1, &vec![Slip::Exception(6); 3]);
    assert_eq!(device.read().await.unwrap_err().kind(), "device-busy");
}

#[tokio::test(start_paused = true)]
async fn a_float_in_another_order_of_words_refuses_the_supply_and_names_the_order() {
    // 123456.0 = 0x47f12000 in all four orders.
    for (words, order) in [([0x2000, 0x47f1], "CDAB"), ([0xf147, 0x0020], "BADC"), ([0x0020, 0xf147], "DCBA")]
    {
        let units = units(&[(1, 7)]);
        set(&units, 1, &[(48, words[0]), (49, words[1])]);
        let mut device = Device::new(spec(None), example(), Clock::new());
        let trouble = device.connect_over(serve(&units)).await.unwrap_err();
        assert_eq!(trouble.kind(), "word-order");
        assert!(trouble.to_string().contains(order), "{trouble}");
    }
    // And if it changes while we are connected, no run starts.
    let units = units(&[(1, 7)]);
    let mut device = connected(&units).await;
    set(&units, 1, &[(48, 0)]);
    let refused = device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap_err();
    assert_eq!(refused.kind(), "word-order");
    assert_eq!(get(&units, 1, 0), 0);
}

#[tokio::test(start_paused = true)]
async fn off_goes_out_on_a_dirty_line_before_anything_is_asked() {
    let units = units(&[(1, 7)]);
    let mut device = connected(&units).await;
    device.output_on().await.unwrap();
    slip(&units, 1, &[Slip::Silent]);
    device.read().await.unwrap_err();
    units.lock().unwrap().get_mut(&1).unwrap().heard.clear();
    device.off().await.unwrap();
    assert_eq!(units.lock().unwrap()[&1].heard[0], (1, 6, 0));
    assert_eq!(get(&units, 1, 18), 0);
}

#[tokio::test(start_paused = true)]
async fn an_adapter_that_echoes_is_found_out() {
    let units = units(&[(1, 7)]);
    units.lock().unwrap().get_mut(&1).unwrap().echo = true;
    let mut device = Device::new(spec(None), example(), Clock::new());
    let trouble = device.connect_over(serve(&units)).await.unwrap_err();
    assert_eq!(trouble.kind(), "echo", "{trouble}");
    assert!(trouble.to_string().contains("echo = true"), "{trouble}");
    // And with the echo taken out, all is well.
    device.connect_over(super::echo::Echo::new(serve(&units))).await.unwrap();
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
    assert_eq!(device.read().await.unwrap().volts.get(), 7.02);
}

/// Two devices on one line.
async fn pair(units: &Units) -> [Device; 2] {
    let specs = [spec(Some(1)), spec(Some(2))];
    let sessions = Session::beside(Box::new(serve(units)), [&specs[0], &specs[1]], &example());
    let mut devices = specs.map(|spec| Device::new(spec, example(), Clock::new()));
    for (device, session) in devices.iter_mut().zip(sessions) {
        device.connect_in(session).await.unwrap();
    }
    devices
}

#[tokio::test(start_paused = true)]
async fn two_supplies_on_one_line_never_get_each_others_readings() {
    let units = units(&[(1, 7), (2, 8)]);
    set(&units, 2, &[(16, 301), (17, 1100)]);
    let [mut first, mut second] = pair(&units).await;
    let mut random = Dice(9);
    for _ in 0..500 {
        if random.roll().is_multiple_of(3) {
            let unit = 1 + (random.roll() % 2) as u8;
            slip(&units, unit, &[Slip::Late(Duration::from_millis(300 + random.roll() % 900))]);
        }
        let (a, b) = tokio::join!(first.read(), second.read());
        for (reading, expected) in [(a, (7.02, 2.5)), (b, (3.01, 1.1))] {
            match reading {
                Ok(reading) => assert_eq!((reading.volts.get(), reading.amps.get()), expected),
                Err(trouble) => assert!(trouble.is_doubtful(), "{trouble}"),
            }
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_supply_that_is_always_late_does_not_starve_the_other() {
    let units = units(&[(1, 7), (2, 8)]);
    let [mut first, mut second] = pair(&units).await;
    slip(&units, 1, &vec![Slip::Silent; 200]);
    let bad = tokio::spawn(async move {
        loop {
            let _ = first.read().await;
        }
    });
    let begun = Instant::now();
    let mut read = 0;
    while begun.elapsed() < Duration::from_secs(60) {
        read += usize::from(second.read().await.is_ok());
    }
    bad.abort();
    // The other's time-out and the silence after it cost about 1.1 s each round; in every round it has its turn.
    assert!(read >= 40, "{read} readings in a minute");
}

#[tokio::test(start_paused = true)]
async fn a_supply_that_lost_its_mains_is_not_programmed_again_behind_the_operators_back() {
    let units = units(&[(1, 7)]);
    let mut device = connected(&units).await;
    let safe = (Volts::new(9.0), Amps::new(6.0), Volts::new(7.3));
    device.prepare(safe.0, safe.1, safe.2).await.unwrap();
    device.output_on().await.unwrap();
    device.set(Amps::new(2.5), Volts::new(7.3)).await.unwrap();
    device.read().await.unwrap();
    set(&units, 1, &[(0, 0), (1, 0), (2, 0), (3, 0), (4, 0), (18, 0), (21, 0), (22, 0)]);
    assert_eq!(device.read().await.unwrap().output, Some(false));
    assert_eq!(device.set(Amps::new(2.6), Volts::new(7.3)).await.unwrap_err().kind(), "power-cycled");
    assert_eq!(device.output_on().await.unwrap_err().kind(), "power-cycled");
    assert_eq!(get(&units, 1, 2), 0);
    device.off().await.unwrap();
    device.prepare(safe.0, safe.1, safe.2).await.unwrap();
    device.output_on().await.unwrap();
    assert_eq!(get(&units, 1, 3), 900);
}

#[tokio::test(start_paused = true)]
async fn each_of_five_on_one_line_has_its_turn_however_eager_the_others_are() {
    const ALL: [u8; 5] = [1, 2, 3, 4, 5];
    let units = units(&ALL.map(|unit| (unit, u16::from(unit))));
    let specs = ALL.map(|unit| spec(Some(unit)));
    let sessions = Session::beside(Box::new(serve(&units)), specs.each_ref(), &example());
    let until = Instant::now() + Duration::from_secs(60);
    let mut tasks = Vec::new();
    for (spec, session) in specs.into_iter().zip(sessions) {
        tasks.push(tokio::spawn(async move {
            let mut device = Device::new(spec, example(), Clock::new());
            device.connect_in(session).await.unwrap();
            let (mut read, mut longest) = (0_u32, Duration::ZERO);
            while Instant::now() < until {
                let begun = Instant::now();
                device.read().await.unwrap();
                longest = longest.max(begun.elapsed());
                read += 1;
            }
            (read, longest)
        }));
    }
    let mut all = Vec::new();
    for task in tasks {
        all.push(task.await.unwrap());
    }
    let (least, most) = (all.iter().map(|a| a.0).min().unwrap(), all.iter().map(|a| a.0).max().unwrap());
    assert!(least > 100 && most - least <= 2, "{all:?}");
    // Nobody waits for more than one exchange of each of the others.
    let turn = Duration::from_secs(60) / (least * 5);
    assert!(all.iter().all(|(_, longest)| *longest <= turn * 7), "a turn is {turn:?}: {all:?}");
}

#[tokio::test(start_paused = true)]
async fn a_watchdog_is_armed_before_on_and_disarmed_after_off_and_never_by_itself() {
    let text = example().source.replace("#[modbus.watchdog]", "[modbus.watchdog]");
    let text = text.replace("#time = ", "time = ").replace("#set = ", "set = ").replace("#off = ", "off = ");
    let watched = Arc::new(super::dialect::parse(&text, "watched.toml").unwrap());
    let units = units(&[(1, 7)]);
    let mut device = Device::new(spec(None), watched, Clock::new());
    device.connect_over(serve(&units)).await.unwrap();
    device.off().await.unwrap();
    let written = |units: &Units| -> Vec<u16> {
        let all = units.lock().unwrap()[&1].heard.clone();
        all.iter().filter(|(_, function, _)| matches!(function, 6 | 16)).map(|(.., first)| *first).collect()
    };
    assert!(!written(&units).contains(&6), "nothing is armed yet");
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
    assert_eq!(get(&units, 1, 6), 5);
    device.output_on().await.unwrap();
    let sequence = written(&units);
    let at = |register| sequence.iter().rposition(|r| *r == register).unwrap();
    assert!(at(3) < at(6) && at(4) < at(6) && at(6) < at(0), "{sequence:?}");
    for _ in 0..10 {
        device.read().await.unwrap();
    }
    assert_eq!(written(&units).len(), sequence.len(), "questions feed it");
    device.off().await.unwrap();
    assert_eq!((get(&units, 1, 0), get(&units, 1, 6)), (0, 0));
    let sequence = written(&units);
    assert_eq!(sequence[sequence.len() - 2..], [0, 6], "off first");
    device.off().await.unwrap();
    assert_eq!(written(&units).last(), Some(&0), "disarmed once");
}

#[tokio::test(start_paused = true)]
async fn a_probe_tells_levels_setpoints_and_the_order_of_words_and_writes_nothing() {
    for (words, said) in [
        ([0x47f1, 0x2000], "order of words: register 48 holds 123456 as it must"),
        ([0x2000, 0x47f1], "order of words: WRONG: register 48 must hold 123456 and holds 0x2000 0x47f1"),
    ] {
        let units = units(&[(1, 7)]);
        set(&units, 1, &[(48, words[0]), (49, words[1]), (1, 730), (2, 2800), (3, 1320), (4, 6500)]);
        let mut device = Device::new(spec(None), example(), Clock::new());
        device.attach(Session::over(Box::new(serve(&units)), &spec(None), &example()));
        let found = super::probe::survey(&mut device).await.unwrap();
        let text = ProbeReport { found: vec![found], silent: Vec::new() }.to_string();
        assert!(text.contains(said), "{text}");
        assert!(text.contains("set to 7.3 V, 2.8 A"), "{text}");
        assert!(text.contains("over-voltage protection: at 13.2 V\n"), "{text}");
        assert!(text.contains("over-current protection: at 6.5 A\n"), "{text}");
        if words[0] == 0x2000 {
            assert!(text.contains("in the order CDAB they are"), "{text}");
        }
        assert!(units.lock().unwrap()[&1].heard.iter().all(|(_, function, _)| matches!(function, 3 | 4)));
    }
}

#[test]
fn a_probe_names_no_speed_on_tcp_and_takes_an_exception_for_an_answer() {
    let over = |port| Spec { port, ..spec(None) };
    let refused = Trouble::Refused {
        told: "unit 1: read holding registers 32 to 35".into(),
        code: 2,
        said: "it has no such register".into(),
    };
    let mute = Trouble::NoReply { asked: "unit 1".into(), waited: Duration::from_millis(500) };
    let tcp = over(Port::Tcp("127.0.0.1:502".into()));
    let report = ProbeReport { found: Vec::new(), silent: vec![(tcp.clone(), refused)] };
    let text = report.to_string();
    assert!(!text.contains("baud") && text.contains("no such register"), "{text}");
    assert!(report.answered() && !text.contains("nothing answered"), "{text}");
    let silence = ProbeReport { found: Vec::new(), silent: vec![(over(Port::Bridge("h:1".into())), mute)] };
    assert!(!silence.answered() && silence.to_string().contains("baud"), "{silence}");
}
