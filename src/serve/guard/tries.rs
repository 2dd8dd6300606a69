//! Wrong tokens, counted by address, so that guessing is slow and the log short; and requests that were
//! refused, so that whoever is not let in cannot fill the disk and the audit with them.
//!
//! Only failures are held back: whoever shows a good token is let in at once,
//! however often a neighbour behind the same address was wrong. Otherwise a
//! stranger could keep an operator from the stop button.

use std::collections::HashMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// So many wrong tokens from one address within [`WINDOW`]; then it waits.
const MOST: u32 = 10;
const WINDOW: Duration = Duration::from_secs(60);
/// Addresses kept; the oldest makes room.
const ADDRESSES: usize = 1024;
/// So many refused requests of all addresses are written down within [`HOUR`]: the ledger keeps the newest 200,000 lines
/// of its audit, and those of a stranger must not push out who did what. It would take five weeks.
const LINES: u32 = 240;
const HOUR: Duration = Duration::from_secs(3600);

#[derive(Debug, Default)]
pub(super) struct Tries(Mutex<HashMap<IpAddr, (Instant, u32)>>);

impl Tries {
    /// Notes a wrong token; `Some`: no more until then.
    pub fn failed(&self, address: IpAddr) -> Option<Duration> {
        let now = Instant::now();
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let address = neighbourhood(address);
        if all.len() >= ADDRESSES && !all.contains_key(&address) {
            all.retain(|_, (began, _)| now.duration_since(*began) < WINDOW);
            if all.len() >= ADDRESSES
                && let Some(oldest) = all.iter().min_by_key(|(_, (began, _))| *began).map(|(a, _)| *a)
            {
                all.remove(&oldest);
            }
        }
        let (began, count) = all.entry(address).or_insert((now, 0));
        if now.duration_since(*began) >= WINDOW {
            (*began, *count) = (now, 0);
        }
        *count = count.saturating_add(1);
        (*count > MOST).then(|| WINDOW.saturating_sub(now.duration_since(*began)))
    }
}

/// Refused requests that get a line in the audit: some of each address, and not too many of all.
#[derive(Debug, Default)]
pub(super) struct Refusals {
    each: Tries,
    all: Mutex<Hour>,
}

#[derive(Debug, Default)]
struct Hour {
    began: Option<Instant>,
    lines: u32,
    left_out: u64,
}

impl Refusals {
    /// Notes one. `Some`: it is worth a line, and so many before it had none.
    pub fn line(&self, address: IpAddr) -> Option<u64> {
        let enough = self.each.failed(address).is_some();
        let now = Instant::now();
        let mut all = self.all.lock().unwrap_or_else(PoisonError::into_inner);
        if all.began.is_none_or(|began| now.duration_since(began) >= HOUR) {
            (all.began, all.lines) = (Some(now), 0);
        }
        if enough || all.lines >= LINES {
            all.left_out += 1;
            return None;
        }
        all.lines += 1;
        Some(std::mem::take(&mut all.left_out))
    }
}

/// An IPv6 host has a whole /64 to choose from (RFC 4291, section 2.5.4): it is one address here.
pub(in super::super) fn neighbourhood(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V6(six) => {
            let s = six.segments();
            Ipv6Addr::new(s[0], s[1], s[2], s[3], 0, 0, 0, 0).into()
        }
        four => four,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn guessing_waits_and_a_minute_later_may_go_on() {
        let tries = Tries::default();
        let address = "192.0.2.7".parse().unwrap();
        for _ in 0..MOST {
            assert_eq!(tries.failed(address), None);
        }
        assert_eq!(tries.failed(address), Some(WINDOW));
        assert_eq!(tries.failed("192.0.2.8".parse().unwrap()), None, "a neighbour is not held back");
        tokio::time::advance(WINDOW).await;
        assert_eq!(tries.failed(address), None);
    }

    #[tokio::test(start_paused = true)]
    async fn many_addresses_fill_no_memory_and_one_hosts_ipv6_addresses_are_one() {
        let tries = Tries::default();
        for n in 0..5000u32 {
            tries.failed(IpAddr::V4(n.into()));
        }
        assert!(tries.0.lock().unwrap().len() <= ADDRESSES);
        let mut last = None;
        for n in 0..=MOST {
            last = tries.failed(format!("2001:db8::{n:x}").parse().unwrap());
        }
        assert!(last.is_some());
    }

    #[tokio::test(start_paused = true)]
    async fn refusals_of_a_crowd_have_few_lines_and_the_next_line_says_how_many_had_none() {
        let refusals = Refusals::default();
        let of = |n: u32| refusals.line(IpAddr::V4((n / 20).into()));
        let told: Vec<u64> = (0..5000).filter_map(of).collect();
        assert_eq!(told.len(), LINES as usize);
        tokio::time::advance(HOUR).await;
        let last = refusals.line("192.0.2.7".parse().unwrap()).expect("a new hour");
        assert_eq!(told.iter().sum::<u64>() + last + u64::from(LINES), 5000, "each is counted once");
        assert_eq!(refusals.line("192.0.2.7".parse().unwrap()), Some(0));
    }
}
