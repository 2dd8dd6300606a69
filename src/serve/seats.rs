//! Connections, counted: in all, from elsewhere, and by address.
//!
//! A few seats are kept for this machine, so that the person at the bench gets
//! in whatever the network does; and one address elsewhere cannot take them all.

use super::guard::Peer;
use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

/// A bench has a few browsers, a scraper and a terminal or two.
pub(super) const MOST: usize = 256;
/// Of these, from elsewhere.
const MOST_ELSEWHERE: usize = 224;
/// And from one address elsewhere.
const MOST_EACH: usize = 64;

#[derive(Clone, Debug, Default)]
pub(super) struct Seats(Arc<Mutex<Taken>>);

#[derive(Debug, Default)]
struct Taken {
    all: usize,
    elsewhere: HashMap<IpAddr, usize>,
}

/// Given back when dropped.
#[derive(Debug)]
pub(super) struct Seat {
    seats: Seats,
    elsewhere: Option<IpAddr>,
}

impl Seats {
    /// A seat, if there is one.
    pub fn take(&self, peer: Peer) -> Option<Seat> {
        let mut taken = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if taken.all >= MOST {
            return None;
        }
        let elsewhere = (!peer.here).then_some(peer.address);
        if let Some(address) = elsewhere {
            if taken.elsewhere.values().sum::<usize>() >= MOST_ELSEWHERE {
                return None;
            }
            let each = taken.elsewhere.entry(address).or_default();
            if *each >= MOST_EACH {
                return None;
            }
            *each += 1;
        }
        taken.all += 1;
        Some(Seat { seats: self.clone(), elsewhere })
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut taken = self.seats.0.lock().unwrap_or_else(PoisonError::into_inner);
        taken.all -= 1;
        if let Some(address) = self.elsewhere
            && let Some(each) = taken.elsewhere.get_mut(&address)
        {
            *each -= 1;
            if *each == 0 {
                taken.elsewhere.remove(&address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(address: &str) -> Peer {
        Peer { address: address.parse().unwrap(), here: false, tls: false }
    }

    #[test]
    fn one_address_or_the_whole_network_leaves_a_seat_for_the_bench() {
        let seats = Seats::default();
        let mut held = Vec::new();
        while let Some(seat) = seats.take(from("192.0.2.1")) {
            held.push(seat);
        }
        assert_eq!(held.len(), MOST_EACH);
        for n in 2..=9 {
            while let Some(seat) = seats.take(from(&format!("192.0.2.{n}"))) {
                held.push(seat);
            }
        }
        assert_eq!(held.len(), MOST_ELSEWHERE);
        while let Some(seat) = seats.take(Peer::here()) {
            held.push(seat);
        }
        assert_eq!(held.len(), MOST);
        drop(held);
        assert!(seats.take(from("192.0.2.1")).is_some(), "seats are given back");
        assert!(seats.0.lock().unwrap().elsewhere.is_empty(), "and no address is remembered");
    }
}
