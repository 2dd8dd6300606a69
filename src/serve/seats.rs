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
/// However few descriptors there are.
const LEAST: usize = 8;

#[derive(Clone, Debug)]
pub(super) struct Seats {
    most: usize,
    taken: Arc<Mutex<Taken>>,
}

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
    /// So many as that many descriptors allow, at most [`MOST`].
    pub fn within(descriptors: usize) -> Seats {
        Seats { most: descriptors.clamp(LEAST, MOST), taken: Arc::default() }
    }

    /// How many there are.
    pub fn most(&self) -> usize {
        self.most
    }

    /// Of these, from elsewhere.
    fn most_elsewhere(&self) -> usize {
        self.most - self.most / 8
    }

    /// And from one address elsewhere.
    fn most_each(&self) -> usize {
        self.most / 4
    }

    /// A seat, if there is one.
    pub fn take(&self, peer: Peer) -> Option<Seat> {
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        if taken.all >= self.most {
            return None;
        }
        let elsewhere = (!peer.here).then_some(peer.address);
        if let Some(address) = elsewhere {
            if taken.elsewhere.values().sum::<usize>() >= self.most_elsewhere() {
                return None;
            }
            let each = taken.elsewhere.entry(address).or_default();
            if *each >= self.most_each() {
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
        let mut taken = self.seats.taken.lock().unwrap_or_else(PoisonError::into_inner);
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
        let seats = Seats::within(usize::MAX);
        let mut held = Vec::new();
        while let Some(seat) = seats.take(from("192.0.2.1")) {
            held.push(seat);
        }
        assert_eq!(held.len(), 64);
        for n in 2..=9 {
            while let Some(seat) = seats.take(from(&format!("192.0.2.{n}"))) {
                held.push(seat);
            }
        }
        assert_eq!(held.len(), 224);
        while let Some(seat) = seats.take(Peer::here()) {
            held.push(seat);
        }
        assert_eq!(held.len(), MOST);
        drop(held);
        assert!(seats.take(from("192.0.2.1")).is_some(), "seats are given back");
        assert!(seats.taken.lock().unwrap().elsewhere.is_empty(), "and no address is remembered");
    }

    #[test]
    fn few_descriptors_leave_few_seats_and_one_of_them_for_the_bench() {
        let seats = Seats::within(0);
        let mut held = Vec::new();
        for n in 1..=LEAST {
            held.extend(seats.take(from(&format!("192.0.2.{n}"))));
        }
        assert_eq!(held.len(), LEAST - 1);
        assert!(seats.take(Peer::here()).is_some());
    }
}
