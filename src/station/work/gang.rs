//! Several supplies that feed one bar, worked as if they were one.
//!
//! What the controller asks for is shared out by what each may give; what they
//! say is joined. Nothing is decided here: that one of them gives nothing
//! while another goes on is put into the reading, for the watches to see. A
//! station with one supply is a gang of one and notices nothing of it.

use super::remote::Remote;
use crate::quantity::{Amps, Faults, Reading, Regulation, Volts};
use crate::run::Protection;
use crate::supply::Trouble;
use futures_util::future::join_all;
use std::collections::BTreeMap;

/// Below this share of the most it may give, a supply's part is too small to miss.
const NOTABLE: f64 = 0.05;
/// Gives nothing: less than this share of its part. As the open-circuit watch has it.
const NOTHING: f64 = 0.05;
/// Goes on: at least this share of its part, as the short-current watches have it.
const GOES_ON: f64 = 0.98;
/// Each one's own over-current level stands at least this far above its part, as it does where there is but one.
const HEADROOM: Amps = Amps::new(0.1);

/// One of them.
#[derive(Debug)]
pub(super) struct Member<R> {
    /// Behind the seam.
    pub remote: R,
    /// Its port, for people.
    pub port: String,
    /// The most it may give.
    pub most: Amps,
    /// What its setpoint can be a multiple of.
    pub step: Amps,
}

/// All of them; at least one.
#[derive(Debug)]
pub(super) struct Gang<R> {
    members: Vec<Member<R>>,
    /// What each was last told, while they are to give current.
    parts: Option<Vec<Amps>>,
    on: bool,
    volts: Volts,
}

impl<R> Gang<R> {
    pub fn new(members: Vec<Member<R>>) -> Self {
        Gang { members, parts: None, on: false, volts: Volts::ZERO }
    }

    /// Current in proportion to what each may give, in whole steps of each, so
    /// that all together miss less than one step of the last.
    fn share(&self, amps: Amps) -> Vec<Amps> {
        // A gang of one is told the number as it came.
        if let [_] = self.members[..] {
            return vec![amps];
        }
        let all: Amps = self.members.iter().map(|m| m.most).sum();
        let (mut so_far, mut given) = (Amps::ZERO, Amps::ZERO);
        let mut parts = Vec::with_capacity(self.members.len());
        for member in &self.members {
            so_far += member.most;
            let due = amps * (so_far / all) - given;
            // The grain of sand lets decimal fractions, not exact in binary, reach their step.
            let steps = (due / member.step + 1e-6).floor().max(0.0);
            let part = (member.step * steps).min(member.most.max(amps * (member.most / all)));
            given += part;
            parts.push(part);
        }
        parts
    }

    /// The over-current level of each.
    fn levels(&self, whole: Amps) -> Vec<Amps> {
        if let [_] = self.members[..] {
            return vec![whole];
        }
        let all: Amps = self.members.iter().map(|m| m.most).sum();
        self.members.iter().map(|m| (whole * (m.most / all) + HEADROOM).min(m.most * 1.1)).collect()
    }

    /// Every result, with each trouble named by its port.
    fn all<T>(&self, results: Vec<Result<T, Trouble>>) -> Result<Vec<T>, Trouble> {
        let mut good = Vec::with_capacity(results.len());
        let mut bad = Vec::new();
        for (member, result) in self.members.iter().zip(results) {
            match result {
                Ok(value) => good.push(value),
                Err(trouble) => bad.push((member.port.clone(), trouble)),
            }
        }
        match bad.len() {
            0 => Ok(good),
            1 if self.members.len() == 1 => Err(bad.remove(0).1),
            _ => Err(Trouble::Among(bad)),
        }
    }
}

impl<R: Remote> Gang<R> {
    /// As [`Gang::all`]; and if the link to one is lost, the others are switched off at once, before anything is opened
    /// anew. One whose answer was in doubt but that confirms off is out of trouble.
    async fn together<T>(&mut self, results: Vec<Result<T, Trouble>>) -> Result<Vec<T>, Trouble> {
        let gone = |r: &Result<T, Trouble>| r.as_ref().is_err_and(Trouble::is_gone);
        if !results.iter().any(gone) {
            return self.all(results);
        }
        self.on = false;
        let offs = self.members.iter_mut().zip(results).map(|(m, result)| async {
            match result {
                Err(trouble) if trouble.is_gone() => Err(trouble),
                // One that does not confirm is in trouble as well.
                _ => m.remote.off().await.inspect_err(|trouble| {
                    tracing::error!(port = %m.port, "NOT confirmed off after the link to another was lost: {trouble}");
                }),
            }
        });
        let offs = join_all(offs).await;
        // One is gone, so that there is no value for anybody.
        self.all(offs).map(|_| Vec::new())
    }

    /// Of those that are to give current, one gives nothing while another goes on. Its output tells; where a dialect
    /// cannot ask for it, its amperes do, once its part is large enough to be missed.
    fn parted(&self, readings: &[Reading]) -> bool {
        if !self.on {
            return false;
        }
        let off = |r: &Reading| r.output == Some(false);
        if readings.iter().any(off) && !readings.iter().all(off) {
            return true;
        }
        let Some(parts) = &self.parts else { return false };
        let each = || self.members.iter().zip(parts).zip(readings);
        let idle = each().any(|((m, part), r)| {
            r.output.is_none() && *part >= m.most * NOTABLE && r.amps < *part * NOTHING
        });
        // Where the voltage is held, one supply may well carry all and another nothing; but then it is not at its limit.
        idle && each().any(|((m, part), r)| *part >= m.most * NOTABLE && r.amps >= *part * GOES_ON)
    }

    fn join(&self, readings: &[Reading]) -> Reading {
        let first = readings[0];
        let regulations: Option<Vec<Regulation>> = readings.iter().map(|r| r.regulation).collect();
        let regulation = regulations.map(|all| {
            let is = |wanted| move |r: &Regulation| *r == wanted;
            if all.iter().all(is(Regulation::ConstantCurrent)) {
                Regulation::ConstantCurrent
            } else if all.iter().any(is(Regulation::ConstantVoltage)) {
                Regulation::ConstantVoltage
            } else {
                Regulation::Neither
            }
        });
        let outputs = || readings.iter().map(|r| r.output);
        let output = if outputs().any(|o| o == Some(true)) {
            Some(true)
        } else {
            // Off only if all say so.
            outputs().all(|o| o == Some(false)).then_some(false)
        };
        let far = |v: &Volts| (*v - self.volts).abs();
        Reading {
            // As old as the oldest of them.
            at: readings.iter().map(|r| r.at).fold(first.at, std::cmp::Ord::min),
            volts: readings.iter().map(|r| r.volts).fold(first.volts, Volts::max),
            amps: readings.iter().map(|r| r.amps).sum(),
            regulation,
            output,
            set_amps: readings.iter().map(|r| r.set_amps).sum::<Option<Amps>>(),
            // The one that is furthest from what all were told.
            set_volts: readings
                .iter()
                .map(|r| r.set_volts)
                .collect::<Option<Vec<_>>>()
                .and_then(|all| all.into_iter().reduce(|a, b| if far(&b) > far(&a) { b } else { a })),
            faults: Faults {
                over_voltage: readings.iter().any(|r| r.faults.over_voltage),
                over_current: readings.iter().any(|r| r.faults.over_current),
                over_temperature: readings.iter().any(|r| r.faults.over_temperature),
                other: readings.iter().any(|r| r.faults.other),
                parted: self.parted(readings),
            },
        }
    }
}

impl<R: Remote> Remote for Gang<R> {
    /// All at once, and every one that answers is off, whatever the others do.
    async fn open(&mut self) -> Result<String, Trouble> {
        (self.on, self.parts) = (false, None);
        let opened = join_all(self.members.iter_mut().map(|m| m.remote.open())).await;
        Ok(self.together(opened).await?.join(" + "))
    }
    fn found_on(&self) -> Option<bool> {
        let found = || self.members.iter().map(|m| m.remote.found_on());
        // On as soon as one is; off only where all are.
        if found().any(|on| on == Some(true)) {
            return Some(true);
        }
        found().all(|on| on == Some(false)).then_some(false)
    }
    fn close(&mut self) {
        (self.on, self.parts) = (false, None);
        self.members.iter_mut().for_each(|m| m.remote.close());
    }
    async fn off(&mut self) -> Result<(), Trouble> {
        self.on = false;
        let offs = join_all(self.members.iter_mut().map(|m| m.remote.off())).await;
        self.all(offs).map(|_| ())
    }
    async fn prepare(&mut self, protection: Protection, ceiling: Volts) -> Result<(), Trouble> {
        (self.on, self.parts, self.volts) = (false, None, ceiling);
        let levels = self.levels(protection.over_current);
        let prepared =
            join_all(self.members.iter_mut().zip(levels).map(|(m, over_current)| {
                m.remote.prepare(Protection { over_current, ..protection }, ceiling)
            }))
            .await;
        self.together(prepared).await.map(|_| ())
    }
    async fn set(&mut self, amps: Amps, volts: Volts) -> Result<(), Trouble> {
        let parts = self.share(amps);
        (self.parts, self.volts) = (Some(parts.clone()), volts);
        // Not one after another up to the first trouble: what is lowered must be lowered everywhere.
        let set =
            join_all(self.members.iter_mut().zip(parts).map(|(m, part)| m.remote.set(part, volts))).await;
        self.together(set).await.map(|_| ())
    }
    /// One after another; if one fails, all are switched off.
    async fn on(&mut self) -> Result<(), Trouble> {
        let mut failed = None;
        for member in &mut self.members {
            if let Err(trouble) = member.remote.on().await {
                failed = Some((member.port.clone(), trouble));
                break;
            }
        }
        let Some((port, trouble)) = failed else {
            self.on = true;
            return Ok(());
        };
        if self.members.len() == 1 {
            return Err(trouble);
        }
        let mut all = vec![(port, trouble)];
        if let Err(Trouble::Among(unsure)) = self.off().await {
            all.extend(unsure);
        }
        Err(Trouble::Among(all))
    }
    async fn read(&mut self) -> Result<Reading, Trouble> {
        let read = join_all(self.members.iter_mut().map(|m| m.remote.read())).await;
        let readings = self.together(read).await?;
        Ok(self.join(&readings))
    }
    fn partly(&self, trouble: &Trouble) -> bool {
        matches!(trouble, Trouble::Among(troubled) if troubled.len() < self.members.len())
    }
    fn writes(&self) -> u64 {
        self.members.iter().map(|m| m.remote.writes()).sum()
    }
    fn errors(&self) -> BTreeMap<&'static str, u64> {
        let mut all = BTreeMap::new();
        for (kind, count) in self.members.iter().flat_map(|m| m.remote.errors()) {
            *all.entry(kind).or_default() += count;
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Mono;
    use std::time::Duration;

    /// Does as it is told, except for the trouble it is given.
    #[derive(Default)]
    struct Fake {
        trouble: Option<Trouble>,
        /// So many readings to come are in doubt; all else is well.
        garbles: u32,
        /// Takes no off.
        deaf: bool,
        /// Says nothing of its output.
        mum: bool,
        /// Gives this share of what it was told.
        gives: f64,
        at: u64,
        on: bool,
        amps: Amps,
        volts: Volts,
        level: Amps,
        offs: u32,
    }

    impl Fake {
        fn able(&self) -> Result<(), Trouble> {
            self.trouble.clone().map_or(Ok(()), Err)
        }
    }

    impl Remote for Fake {
        async fn open(&mut self) -> Result<String, Trouble> {
            self.able()?;
            self.off().await?;
            Ok("fake".into())
        }
        fn close(&mut self) {}
        async fn off(&mut self) -> Result<(), Trouble> {
            self.offs += 1;
            self.able()?;
            if self.deaf {
                return Err(mute().unwrap());
            }
            self.on = false;
            Ok(())
        }
        async fn prepare(&mut self, protection: Protection, ceiling: Volts) -> Result<(), Trouble> {
            self.able()?;
            (self.level, self.volts) = (protection.over_current, ceiling);
            Ok(())
        }
        async fn set(&mut self, amps: Amps, volts: Volts) -> Result<(), Trouble> {
            self.able()?;
            (self.amps, self.volts) = (amps, volts);
            Ok(())
        }
        async fn on(&mut self) -> Result<(), Trouble> {
            self.able()?;
            self.on = true;
            Ok(())
        }
        async fn read(&mut self) -> Result<Reading, Trouble> {
            self.able()?;
            if self.garbles > 0 {
                self.garbles -= 1;
                return Err(mute().unwrap());
            }
            Ok(Reading {
                at: Mono::from_millis(self.at),
                volts: self.volts * 0.5 + Volts::new(self.at as f64 / 1e4),
                amps: if self.on { self.amps * self.gives } else { Amps::ZERO },
                regulation: Some(if self.on { Regulation::ConstantCurrent } else { Regulation::Neither }),
                output: (!self.mum).then_some(self.on),
                set_amps: Some(self.amps),
                set_volts: Some(self.volts),
                faults: Faults::default(),
            })
        }
        fn writes(&self) -> u64 {
            2
        }
        fn errors(&self) -> BTreeMap<&'static str, u64> {
            BTreeMap::from([("garbled", 3)])
        }
    }

    fn gang(most: &[f64], step: f64) -> Gang<Fake> {
        let member = |(i, most): (usize, &f64)| Member {
            remote: Fake { gives: 1.0, at: 900 + i as u64 * 10, ..Fake::default() },
            port: format!("/dev/{i}"),
            most: Amps::new(*most),
            step: Amps::new(step),
        };
        Gang::new(most.iter().enumerate().map(member).collect())
    }

    fn mute() -> Option<Trouble> {
        Some(Trouble::NoReply { asked: "MEAS:CURR?".into(), waited: Duration::from_millis(9) })
    }

    async fn running(most: &[f64], amps: f64) -> Gang<Fake> {
        let mut gang = gang(most, 0.01);
        gang.open().await.unwrap();
        gang.set(Amps::new(amps), Volts::new(6.0)).await.unwrap();
        gang.on().await.unwrap();
        gang
    }

    #[test]
    fn shares_miss_less_than_one_step_of_the_whole_and_ask_nobody_for_too_much() {
        let gang = gang(&[10.0, 5.0, 3.0, 3.0, 1.0, 0.5, 0.5, 7.0], 0.01);
        for hundredths in 0..=3_000 {
            let amps = Amps::new(f64::from(hundredths) / 100.0);
            let parts = gang.share(amps);
            let missing = amps - parts.iter().copied().sum();
            assert!((-1e-9..0.01).contains(&missing.get()), "{amps}: {missing} missing of {parts:?}");
            for (part, member) in parts.iter().zip(&gang.members) {
                assert!(*part >= Amps::ZERO && *part <= member.most + Amps::new(1e-9), "{amps}: {parts:?}");
                let fair = amps * (member.most.get() / 30.0);
                assert!((*part - fair).abs() <= Amps::new(0.0101), "{amps}: {parts:?}");
            }
        }
    }

    #[test]
    fn lone_supply_is_told_the_number_as_it_came() {
        let odd = Amps::new(1.234_567_8);
        assert_eq!(gang(&[10.0], 0.01).share(odd), [odd]);
        assert_eq!(gang(&[10.0], 0.01).levels(odd), [odd]);
    }

    #[tokio::test]
    async fn reading_is_the_sum_as_old_as_the_oldest_at_the_highest_volts() {
        let mut gang = running(&[7.0, 3.0], 2.0).await;
        let r = gang.read().await.unwrap();
        assert!((r.amps.get() - 2.0).abs() < 1e-9 && (r.set_amps.unwrap().get() - 2.0).abs() < 1e-9);
        assert_eq!((r.at, r.volts), (Mono::from_millis(900), Volts::new(3.091)));
        assert_eq!((r.output, r.regulation), (Some(true), Some(Regulation::ConstantCurrent)));
        assert!(!r.faults.any());
        // A knob turned at one of them shows, whichever it is.
        gang.members[0].remote.volts = Volts::new(5.0);
        assert_eq!(gang.read().await.unwrap().set_volts, Some(Volts::new(5.0)));
        assert_eq!((gang.writes(), gang.errors()["garbled"]), (4, 6));
    }

    #[tokio::test]
    async fn doubtful_answer_of_one_is_no_reading_and_names_it() {
        let mut gang = running(&[7.0, 3.0], 2.0).await;
        gang.members[1].remote.trouble = mute();
        let trouble = gang.read().await.unwrap_err();
        assert!(trouble.is_doubtful() && !trouble.is_gone());
        assert!(trouble.to_string().starts_with("supply on /dev/1: no reply"), "{trouble}");
        assert!(gang.members[0].remote.on, "a lost answer alone switches nothing off");
    }

    #[tokio::test]
    async fn link_lost_to_one_switches_the_others_off_at_once() {
        let mut gang = running(&[7.0, 3.0, 3.0], 2.0).await;
        gang.members[1].remote.trouble = Some(Trouble::Gone("unplugged".into()));
        let trouble = gang.read().await.unwrap_err();
        assert!(trouble.is_gone() && gang.partly(&trouble), "{trouble}");
        assert!(!gang.members[0].remote.on && !gang.members[2].remote.on);
        // And whenever the link is tried anew, those that answer are off.
        gang.members[2].remote.on = true;
        assert!(gang.open().await.unwrap_err().is_gone());
        assert!(!gang.members[2].remote.on);
    }

    #[tokio::test]
    async fn link_lost_to_one_while_another_answer_is_in_doubt_is_still_not_everybodys_trouble() {
        let mut gang = running(&[7.0, 3.0], 2.0).await;
        gang.members[0].remote.garbles = 1;
        gang.members[1].remote.trouble = Some(Trouble::Gone("unplugged".into()));
        let trouble = gang.read().await.unwrap_err();
        assert!(trouble.is_gone() && gang.partly(&trouble), "{trouble}");
        assert!(!trouble.to_string().contains("/dev/0"), "{trouble}");
        assert!(!gang.members[0].remote.on);
    }

    #[tokio::test]
    async fn lost_link_of_which_the_others_do_not_go_off_is_everybodys_trouble() {
        let mut gang = running(&[7.0, 3.0], 2.0).await;
        gang.members[0].remote.deaf = true;
        gang.members[1].remote.trouble = Some(Trouble::Gone("unplugged".into()));
        let trouble = gang.read().await.unwrap_err();
        assert!(trouble.is_gone() && !gang.partly(&trouble), "{trouble}");
    }

    #[tokio::test]
    async fn one_that_does_not_switch_on_leaves_none_on() {
        let mut gang = running(&[7.0, 3.0, 3.0], 2.0).await;
        gang.off().await.unwrap();
        gang.members[1].remote.trouble = mute();
        let trouble = gang.on().await.unwrap_err();
        assert!(trouble.to_string().contains("/dev/1"), "{trouble}");
        assert!(gang.members.iter().all(|m| !m.remote.on));
        assert_eq!(gang.members[1].remote.offs, 3, "off is tried at the one that failed as well");
    }

    #[tokio::test]
    async fn off_goes_to_all_and_tells_of_each_that_did_not_confirm() {
        let mut gang = running(&[7.0, 3.0, 3.0], 2.0).await;
        gang.members[0].remote.trouble = mute();
        gang.members[2].remote.trouble = mute();
        let said = gang.off().await.unwrap_err().to_string();
        assert!(said.contains("/dev/0") && !said.contains("/dev/1") && said.contains("/dev/2"), "{said}");
        assert!(!gang.members[1].remote.on);
        gang.members.iter_mut().for_each(|m| m.remote.trouble = None);
        let r = gang.read().await.unwrap();
        assert_eq!(r.output, Some(true), "on as long as any is on");
        assert!(!r.faults.parted, "nobody was told to go on");
    }

    #[tokio::test]
    async fn one_that_gives_nothing_while_another_goes_on_is_in_the_reading() {
        let mut gang = running(&[7.0, 3.0], 2.0).await;
        gang.members[1].remote.on = false;
        let r = gang.read().await.unwrap();
        assert!(r.faults.parted && r.output == Some(true));
        // The same without a word for its output: the amperes tell.
        gang.members.iter_mut().for_each(|m| m.remote.mum = true);
        assert!(gang.read().await.unwrap().faults.parted);
        // The clip is off: nobody gives anything, and that is another matter.
        gang.members.iter_mut().for_each(|m| m.remote.gives = 0.0);
        assert!(!gang.read().await.unwrap().faults.parted);
        // A part too small to be missed, and one that carries it all below its limit, as under held voltage.
        gang.members[0].remote.gives = 0.9;
        assert!(!gang.read().await.unwrap().faults.parted);
        gang.members[0].remote.gives = 1.0;
        gang.set(Amps::new(0.2), Volts::new(6.0)).await.unwrap();
        assert!(!gang.read().await.unwrap().faults.parted);
    }

    #[tokio::test]
    async fn each_has_its_share_of_protection_with_room_above_its_part() {
        let mut gang = gang(&[7.0, 3.0], 0.01);
        let protection = Protection { over_voltage: Volts::new(6.6), over_current: Amps::new(0.3) };
        gang.prepare(protection, Volts::new(6.0)).await.unwrap();
        gang.set(Amps::new(0.2), Volts::new(6.0)).await.unwrap();
        for member in &gang.members {
            assert!(member.remote.level >= member.remote.amps + Amps::new(0.1));
            assert!(member.remote.level <= member.most * 1.1);
        }
        let whole = Protection { over_current: Amps::new(11.0), ..protection };
        gang.prepare(whole, Volts::new(6.0)).await.unwrap();
        let levels: Vec<f64> = gang.members.iter().map(|m| m.remote.level.get()).collect();
        assert!((levels[0] - 7.7).abs() < 1e-9 && (levels[1] - 3.3).abs() < 1e-9, "{levels:?}");
    }
}
