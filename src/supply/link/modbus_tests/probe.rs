//! What a probe says of a device of registers.

use super::*;

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
        let found = crate::supply::link::probe::survey(&mut device).await.unwrap();
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
