//! Rubbish in the registers of the setpoints: off is confirmed all the same, and 0 goes over it.

use super::*;

/// The example's map with floats for setpoints, read back where they are written.
fn floats() -> Arc<Dialect> {
    let mut text = example().source.clone();
    for (from, to) in [
        ("register = 1, scale = \"10 mV\"", "register = 24, scale = \"1 V\", type = \"f32\""),
        ("register = 2, scale = \"1 mA\"", "register = 26, scale = \"1 A\", type = \"f32\""),
        ("register = 21, scale = \"10 mV\"", "register = 24, scale = \"1 V\", type = \"f32\""),
        ("register = 22, scale = \"1 mA\"", "register = 26, scale = \"1 A\", type = \"f32\""),
        ("#volts-step", "volts-step"),
        ("#amps-step", "amps-step"),
    ] {
        assert!(text.contains(from), "{from}");
        text = text.replace(from, to);
    }
    Arc::new(super::dialect::parse(&text, "floats.toml").unwrap())
}

fn writes(units: &Units) -> Vec<u16> {
    let heard = units.lock().unwrap()[&1].heard.clone();
    heard.iter().filter(|(_, function, _)| matches!(function, 6 | 16)).map(|(.., first)| *first).collect()
}

#[tokio::test(start_paused = true)]
async fn rubbish_for_a_setpoint_keeps_off_from_nobody_and_is_overwritten_only_after_off() {
    // 0x66664166 is about 2.7e23, 0x7fc00000 is not-a-number (IEEE 754 binary32).
    for rubbish in [[0x6666, 0x4166], [0x7fc0, 0]] {
        for first in [24, 26] {
            let units = units(&[(1, 7)]);
            set(&units, 1, &[(0, 1), (18, 1), (first, rubbish[0]), (first + 1, rubbish[1])]);
            let mut device = Device::new(spec(None), floats(), Clock::new());
            device.connect_over(serve(&units)).await.unwrap();
            assert_eq!(device.read().await.unwrap_err().kind(), "out-of-range", "it never becomes a reading");
            device.off().await.unwrap();
            assert_eq!((get(&units, 1, 0), writes(&units)), (0, vec![0]), "off, and nothing else yet");
            device.mend_setpoints().await.unwrap();
            assert_eq!(writes(&units), [0, 26, 24]);
            assert_eq!([24, 25, 26, 27].map(|r| get(&units, 1, r)), [0; 4]);
            assert_eq!(device.read().await.unwrap().output, Some(false));
            device.prepare(Volts::new(9.0), Amps::new(6.0), Volts::new(7.3)).await.unwrap();
        }
    }
}

#[tokio::test(start_paused = true)]
async fn setpoints_that_are_believed_are_left_alone() {
    let units = units(&[(1, 7)]);
    set(&units, 1, &[(1, 500), (2, 1000)]);
    let mut device = connected(&units).await;
    device.off().await.unwrap();
    device.mend_setpoints().await.unwrap();
    assert_eq!((writes(&units), get(&units, 1, 1), get(&units, 1, 2)), (vec![0], 500, 1000));
}

#[tokio::test(start_paused = true)]
async fn rubbish_that_stays_is_told_with_a_remedy_and_off_stays_confirmed() {
    // Read back from a register that no write reaches.
    let text = example().source.replace("set-volts = { register = 21,", "set-volts = { register = 23,");
    let elsewhere = Arc::new(super::dialect::parse(&text, "elsewhere.toml").unwrap());
    let units = units(&[(1, 7)]);
    set(&units, 1, &[(0, 1), (23, 0xffff)]);
    let mut device = Device::new(spec(None), elsewhere, Clock::new());
    device.connect_over(serve(&units)).await.unwrap();
    device.off().await.unwrap();
    let told = device.mend_setpoints().await.unwrap_err();
    assert_eq!(told.kind(), "setpoint");
    let told = told.to_string();
    for part in ["confirmed off", "655.35 V is outside 0 to 200 V", "front panel", "tankside probe"] {
        assert!(told.contains(part), "{told}");
    }
    device.off().await.unwrap();
    assert_eq!(get(&units, 1, 0), 0);
}

#[tokio::test(start_paused = true)]
async fn a_state_word_or_a_meter_that_cannot_be_believed_confirms_no_off() {
    for (register, word) in [(16, 0xffff), (23, 7)] {
        let units = units(&[(1, 7)]);
        let mut device = Device::new(spec(None), stuck_output(), Clock::new());
        device.connect_over(serve(&units)).await.unwrap();
        set(&units, 1, &[(register, word)]);
        assert!(device.off().await.unwrap_err().is_doubtful(), "register {register}");
    }
}

/// Reads the output's state from a register that no order reaches.
fn stuck_output() -> Arc<Dialect> {
    let text = example().source.replace("output = { register = 18,", "output = { register = 23,");
    Arc::new(super::dialect::parse(&text, "stuck.toml").unwrap())
}
