//! Who goes first for the processor.
//!
//! What the room is for: a service manager may start the daemon at real time (`deploy/tankside.service` does), and every
//! thread and child process is born with what its parent has. Control, what stands on its thread, and the minder keep it.
//! Every other thread calls [`aside`] or [`behind`] when it begins. In a plain shell there is no real time to leave.
//! What it may not know: what a thread does.
//!
//! Nothing here asks for real time. A thread that has left it cannot come back: that takes a right the service does
//! not have.

#[cfg(target_os = "linux")]
use rustix::process::{getpid, getpriority_process, setpriority_process};
#[cfg(target_os = "linux")]
use thread_priority::{
    NormalThreadSchedulePolicy, ThreadPriority, ThreadPriorityValue, ThreadSchedulePolicy,
    set_thread_priority_and_policy, thread_native_id, thread_schedule_policy,
};

/// So many steps of niceness stands who answers people behind the rest of the process.
#[cfg(target_os = "linux")]
const BEHIND: i32 = 5;

/// The calling thread takes its share like any other program: it leaves real time, if it has it, and keeps its niceness.
/// For whoever works for control, which does not wait for it.
#[cfg(target_os = "linux")]
pub fn aside() {
    if !matches!(thread_schedule_policy(), Ok(ThreadSchedulePolicy::Realtime(_))) {
        return;
    }
    let nice = getpriority_process(None).unwrap_or(0);
    let usual = ThreadSchedulePolicy::Normal(NormalThreadSchedulePolicy::Other);
    if let Err(e) = set_thread_priority_and_policy(thread_native_id(), that_is(nice), usual) {
        tracing::warn!("a thread that is in no hurry keeps real time: {e}");
    }
}

/// As [`aside`], and a few steps of niceness behind the process: whoever asks for pages, and however often, the current
/// is looked at first. On Linux niceness is a thread's own (sched(7), the nice value).
#[cfg(target_os = "linux")]
pub fn behind() {
    aside();
    // From the process and not from the thread that began this one: who was begun by one that stands behind stands no
    // further back.
    let back = getpriority_process(Some(getpid())).and_then(|nice| setpriority_process(None, nice + BEHIND));
    if let Err(e) = back {
        tracing::debug!("serving keeps the niceness of control: {e}");
    }
}

/// That niceness on the crate's scale p from 0 to 99, which it takes back as 19 - 39 p/99, cut to a whole: the middle of
/// what becomes that one. A niceness below that of the thread would be refused.
#[cfg(target_os = "linux")]
fn that_is(nice: i32) -> ThreadPriority {
    let steps = (nice + 20).clamp(0, 39);
    let value = 99 - (99 * (2 * steps + 1) + 39) / 78;
    let value = u8::try_from(value).ok().and_then(|value| ThreadPriorityValue::try_from(value).ok());
    value.map_or(ThreadPriority::Min, ThreadPriority::Crossplatform)
}

/// Elsewhere the daemon leaves that to the system.
#[cfg(not(target_os = "linux"))]
pub fn aside() {}

/// Elsewhere the daemon leaves that to the system.
#[cfg(not(target_os = "linux"))]
pub fn behind() {}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    #[test]
    fn leaving_real_time_changes_no_niceness() {
        let usual = ThreadSchedulePolicy::Normal(NormalThreadSchedulePolicy::Other);
        for nice in -20..=19 {
            assert_eq!(that_is(nice).to_posix(usual), Ok(nice));
        }
    }

    #[test]
    fn who_is_begun_by_one_that_stands_behind_stands_no_further_back() {
        let nice = || getpriority_process(None).unwrap();
        let own = getpriority_process(Some(getpid())).unwrap();
        let (first, second) = std::thread::spawn(move || {
            behind();
            (nice(), std::thread::spawn(move || (behind(), nice()).1).join().unwrap())
        })
        .join()
        .unwrap();
        let expected = (own + BEHIND).min(19);
        assert_eq!((first, second), (expected, expected));
    }
}
