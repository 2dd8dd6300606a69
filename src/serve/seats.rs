//! Connections, counted: in all, from elsewhere, and by address.
//!
//! A few seats are kept for this machine, so that the person at the bench gets
//! in whatever the network does; and one address elsewhere cannot take them all.
//! Whoever finds none is a visitor: they are heard for a moment, since they might
//! want to switch off. Where many come at once, each address has its share of that.

use super::guard::{Peer, Visitor, neighbourhood};
use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore};
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

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
        let elsewhere = (!peer.here).then(|| neighbourhood(peer.address));
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

/// Visitors at once.
pub(super) const MOST_VISITS: usize = 64;
/// Visitors and those of them who were sent away and have not gone yet.
pub(super) const MOST_PLACES: usize = 2 * MOST_VISITS;

/// Whoever has to leave is gone in an instant; who comes next waits for that no longer than this.
const DOORWAY: Duration = Duration::from_millis(100);

/// Where those are who found no seat.
#[derive(Clone, Debug)]
pub(super) struct Hall {
    /// Theirs, and of those who are leaving.
    places: Arc<Semaphore>,
    inside: Arc<Mutex<Inside>>,
    /// Somebody has gone, or can be sent away now.
    stirs: Arc<Notify>,
}

#[derive(Debug, Default)]
struct Inside {
    came: u64,
    /// In the order in which they came.
    visits: Vec<Place>,
}

#[derive(Debug)]
struct Place {
    number: u64,
    address: IpAddr,
    leave: CancellationToken,
    visitor: Visitor,
    heard: Arc<AtomicBool>,
    spoke: Arc<AtomicBool>,
}

/// Given back when dropped.
#[derive(Debug)]
pub(super) struct Visit {
    hall: Hall,
    number: u64,
    /// Somebody else needs the place.
    pub leave: CancellationToken,
    /// Goes into each request.
    pub visitor: Visitor,
    heard: Arc<AtomicBool>,
    /// Anything at all: whoever came to say something says it at once.
    spoke: Arc<AtomicBool>,
    /// There until the visit ends.
    place: Option<OwnedSemaphorePermit>,
}

impl Default for Hall {
    fn default() -> Hall {
        Hall { places: Arc::new(Semaphore::new(MOST_PLACES)), inside: Arc::default(), stirs: Arc::default() }
    }
}

impl Hall {
    /// A place, for which somebody else may have to leave: of those who have the most from one address the first who came,
    /// and rather one who has said nothing; nobody who may operate.
    pub async fn enter(&self, peer: Peer) -> Option<Visit> {
        let place = async {
            loop {
                // Made before the look, so that nothing that happens in between is missed.
                let stirs = self.stirs.notified();
                if let Some(visit) = self.enter_now(peer) {
                    return visit;
                }
                stirs.await;
            }
        };
        timeout(DOORWAY, place).await.ok()
    }

    fn enter_now(&self, peer: Peer) -> Option<Visit> {
        let place = self.places.clone().try_acquire_owned().ok()?;
        let address = neighbourhood(peer.address);
        let mut inside = self.inside.lock().unwrap_or_else(PoisonError::into_inner);
        if inside.visits.len() >= MOST_VISITS {
            let mut each: HashMap<IpAddr, usize> = HashMap::new();
            for place in &inside.visits {
                *each.entry(place.address).or_default() += 1;
            }
            // Nobody before they were listened to, or a crowd would be faster than we are.
            let leaves = |p: &Place| p.heard.load(Ordering::Relaxed) && !p.visitor.may_operate();
            let strangers = inside.visits.iter().enumerate().filter(|(_, p)| leaves(p));
            // Of several that are alike the last is taken: backwards, so that it is the first who came.
            let (at, _) = strangers
                .rev()
                .max_by_key(|(_, p)| (each.get(&p.address).copied(), !p.spoke.load(Ordering::Relaxed)))?;
            inside.visits.remove(at).leave.cancel();
        }
        inside.came += 1;
        let (number, leave, visitor) = (inside.came, CancellationToken::new(), Visitor::default());
        let (heard, spoke) = Default::default();
        let visit = Visit { hall: self.clone(), number, leave, visitor, heard, spoke, place: Some(place) };
        inside.visits.push(Place {
            number,
            address,
            leave: visit.leave.clone(),
            visitor: visit.visitor.clone(),
            heard: visit.heard.clone(),
            spoke: visit.spoke.clone(),
        });
        Some(visit)
    }
}

impl Visit {
    /// They are listened to.
    pub fn begins(&self) {
        self.heard.store(true, Ordering::Relaxed);
        self.hall.stirs.notify_waiters();
    }

    /// They have begun to say something.
    pub fn speaks(&self) {
        self.spoke.store(true, Ordering::Relaxed);
    }
}

impl Drop for Visit {
    fn drop(&mut self) {
        let mut inside = self.hall.inside.lock().unwrap_or_else(PoisonError::into_inner);
        inside.visits.retain(|place| place.number != self.number);
        drop(inside);
        drop(self.place.take());
        self.hall.stirs.notify_waiters();
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
    fn host_with_a_whole_ipv6_network_is_one_address() {
        let seats = Seats::within(usize::MAX);
        let held: Vec<_> = (0..MOST).filter_map(|n| seats.take(from(&format!("2001:db8::{n:x}")))).collect();
        assert_eq!(held.len(), 64);
        assert!(seats.take(from("2001:db8:0:1::1")).is_some());
    }

    #[tokio::test(start_paused = true)]
    async fn crowd_at_the_door_leaves_by_itself_and_keeps_nobody_else_out() {
        let hall = Hall::default();
        let mut crowd = Vec::new();
        for _ in 0..MOST_VISITS {
            crowd.extend(hall.enter(from("192.0.2.1")).await);
        }
        assert!(hall.enter(from("192.0.2.2")).await.is_none(), "nobody leaves who was not listened to yet");
        crowd.iter().for_each(Visit::begins);
        crowd[0].speaks();
        let tablet = hall.enter(from("192.0.2.2")).await.expect("heard");
        tablet.begins();
        let gone: Vec<_> = crowd.iter().map(|visit| visit.leave.is_cancelled()).collect();
        assert_eq!(gone[..3], [false, true, false], "the first who came and said nothing leaves");
        while let Some(visit) = hall.enter(from("192.0.2.1")).await {
            visit.begins();
            crowd.push(visit);
        }
        assert_eq!(crowd.len() + 1, MOST_PLACES, "they hold descriptors until they have gone");
        assert!(!tablet.leave.is_cancelled(), "one of one address stays while another has many");
        crowd.clear();
        assert_eq!(hall.inside.lock().unwrap().visits.len(), 1);
        drop(tablet);
        assert_eq!(hall.places.available_permits(), MOST_PLACES);
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
