//! A map that spreads over the four tables of the protocol: readings in input registers, setpoints in holding registers,
//! the output a coil.

use super::*;

/// The example's map, spread, with a level that does not lie beside the other.
fn spread() -> Arc<Dialect> {
    let mut text = example().source.clone();
    for (from, to) in [
        ("[modbus.read]\ntable = \"holding\"", "[modbus.read]\ntable = \"input\""),
        ("output = { register = 18, on = 1, off = 0 }", "output = { table = \"coil\", register = 9 }"),
        ("output = { register = 0, on = 1, off = 0 }", "output = { table = \"coil\", register = 9 }"),
        ("set-volts = { register = 21,", "set-volts = { table = \"holding\", register = 1,"),
        ("set-amps = { register = 22,", "set-amps = { table = \"holding\", register = 2,"),
        ("level = { register = 4,", "level = { register = 8,"),
        // Not as long as the two setpoints.
        ("register = 48\ntype = \"f32\"\nvalue = 123456.0", "register = 48\nvalue = 18417"),
    ] {
        assert!(text.contains(from), "{from}");
        text = text.replace(from, to);
    }
    Arc::new(super::dialect::parse(&text, "spread.toml").unwrap_or_else(|p| panic!("{p:#?}")))
}

async fn at(units: &Units) -> Device {
    let mut device = Device::new(spec(None), spread(), Clock::new());
    device.connect_over(serve(units)).await.unwrap();
    device
}

fn heard(units: &Units) -> Vec<(u8, u16)> {
    let heard = std::mem::take(&mut units.lock().unwrap().get_mut(&1).unwrap().heard);
    heard.into_iter().map(|(_, function, first)| (function, first)).collect()
}

#[tokio::test(start_paused = true)]
async fn readings_setpoints_and_output_may_stand_in_tables_of_their_own() {
    let units = units(&[(1, 7)]);
    let mut device = at(&units).await;
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
    assert_eq!([3, 8].map(|r| get(&units, 1, r)), [900, 6000], "both protections are programmed");
    device.output_on().await.unwrap();
    device.set(Amps::new(2.5), Volts::new(7.3)).await.unwrap();
    heard(&units);
    let reading = device.read().await.unwrap();
    assert_eq!(heard(&units), [(4, 16), (3, 1), (1, 9)], "one block of each table");
    assert_eq!((reading.volts.get(), reading.amps.get(), reading.output), (7.02, 2.5, Some(true)));
    assert_eq!((reading.set_volts, reading.set_amps), (Some(Volts::new(7.3)), Some(Amps::new(2.5))));
    device.off().await.unwrap();
    assert_eq!(get(&units, 1, 0), 0);
    assert!(device.errors().is_empty(), "{:?}", device.errors());
}

#[tokio::test(start_paused = true)]
async fn levels_are_not_read_across_registers_that_are_not_there() {
    let units = units(&[(1, 7)]);
    for hole in 4..8 {
        units.lock().unwrap().get_mut(&1).unwrap().registers.remove(&hole);
    }
    let mut device = at(&units).await;
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap_err();
    // The example clears trips by register 5; that alone is missing.
    set(&units, 1, &[(5, 0)]);
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn an_off_is_confirmed_by_the_coil_alone_when_the_other_tables_refuse() {
    let units = units(&[(1, 7)]);
    let mut device = at(&units).await;
    device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
    device.output_on().await.unwrap();
    for gone in [16, 17] {
        units.lock().unwrap().get_mut(&1).unwrap().registers.remove(&gone);
    }
    device.read().await.unwrap_err();
    device.off().await.unwrap();
    assert_eq!(get(&units, 1, 0), 0);
}

#[tokio::test(start_paused = true)]
async fn a_whole_answer_of_another_table_is_no_reading() {
    let units = units(&[(1, 7)]);
    let mut device = at(&units).await;
    // Holding registers, as many as the input registers that are asked for: 16 to 20.
    let mut raw = vec![1, 3, 10, 0, 1, 0, 2, 0, 3, 0, 4, 0, 0];
    raw.extend(crc(&raw));
    slip(&units, 1, &[Slip::Raw(raw)]);
    assert_eq!(device.read().await.unwrap_err().kind(), "garbled");
    assert_eq!(device.read().await.unwrap().volts.get(), 7.02);
}
