//! Wrong tokens, counted by address, so that guessing is slow and the log short.
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

/// An IPv6 host has a whole /64 to choose from (RFC 4291, section 2.5.4): it is one address here.
fn neighbourhood(address: IpAddr) -> IpAddr {
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
}
