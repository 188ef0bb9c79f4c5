//! Real-time priority, locked memory, a core of its own: what is permitted, and what is said where it is not.

use super::root::Root;
use thread_priority::{
    RealtimeThreadSchedulePolicy, ThreadPriority, ThreadPriorityValue, ThreadSchedulePolicy, set_thread_priority_and_policy,
    thread_native_id,
};

/// Priority of the scan thread among real-time threads (1 to 99): above the kernel's default for interrupt threads is never
/// needed, so it stays below 50 (common practice, no source).
const PRIORITY: u8 = 40;

/// Whether the kernel pauses a real-time thread that never sleeps: by default for 50 ms in each second, far beyond the guard's limit
/// (kernel documentation, real-time group scheduling).
fn paused_by_kernel(root: &Root) -> bool {
    root.text("/proc/sys/kernel/sched_rt_runtime_us").is_some_and(|text| text != "-1")
}

/// Raises the calling thread as far as permitted. How it runs now, in words.
pub fn raise(root: &Root, core: Option<usize>) -> String {
    let mut said = Vec::new();
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    if cores < 2 {
        // a thread that never sleeps would starve the converter's
        said.push("normal priority (one core only)".to_owned());
    } else if paused_by_kernel(root) {
        said.push(
            "normal priority (the kernel would pause a real-time thread 50 ms a second: set `kernel.sched_rt_runtime_us=-1` with sysctl)"
                .to_owned(),
        );
    } else {
        let policy = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
        let priority = ThreadPriorityValue::try_from(PRIORITY).map(ThreadPriority::Crossplatform);
        let raised = priority.ok().map(|p| set_thread_priority_and_policy(thread_native_id(), p, policy).is_ok());
        said.push(match raised {
            Some(true) => format!("real-time priority {PRIORITY}"),
            _ => "normal priority (real-time priority not permitted: set `LimitRTPRIO=50`, or `rtprio` in limits.conf)".to_owned(),
        });
    }
    if let Some(core) = core {
        let mut set = rustix::thread::CpuSet::new();
        let known = core < rustix::thread::CpuSet::MAX_CPU;
        if known {
            set.set(core);
        }
        said.push(if known && rustix::thread::sched_setaffinity(None, &set).is_ok() {
            format!("bound to core {core}")
        } else {
            format!("not bound to a core (there is no core {core})")
        });
    }
    said.push(match rustix::mm::mlockall(rustix::mm::MlockAllFlags::CURRENT) {
        Ok(()) => "memory locked".to_owned(),
        Err(_) => "memory not locked (not permitted: set `LimitMEMLOCK=infinity`)".to_owned(),
    });
    said.join(", ")
}
