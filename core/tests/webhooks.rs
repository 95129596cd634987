//! The schedule of Standard Webhooks 1.0.0 (section "Deliverability and reliability"): at once, 5 s, 5 min, 30 min, 2 h, 5 h, 10 h,
//! 14 h, 20 h, 24 h, with random jitter.

use jiff::SignedDuration;
use outshop_core::webhooks::wait_after;

#[test]
fn retries_come_as_the_specification_prints_them() {
    let waits: Vec<i64> = (1..)
        .map_while(|attempts| wait_after(attempts, 0, None))
        .map(|wait| wait.as_secs())
        .collect();
    assert_eq!(
        waits,
        [5, 300, 1800, 7200, 18_000, 36_000, 50_400, 72_000, 86_400]
    );
}

/// At most a tenth, and never earlier than the schedule: our choice.
#[test]
fn jitter_only_lengthens() {
    for attempts in 1..=9 {
        let plain = wait_after(attempts, 0, None).expect("a retry");
        for jitter in 0..=u8::MAX {
            let wait = wait_after(attempts, jitter, None).expect("a retry");
            assert!(wait >= plain && wait * 10 <= plain * 11, "{wait:?}");
        }
    }
}

#[test]
fn the_delay_that_the_receiver_asks_for_is_kept_up_to_a_day() {
    let asked = |secs| wait_after(1, 0, Some(SignedDuration::from_secs(secs)));
    assert_eq!(asked(1), Some(SignedDuration::from_secs(5)));
    assert_eq!(asked(120), Some(SignedDuration::from_secs(120)));
    assert_eq!(asked(1_000_000), Some(SignedDuration::from_hours(24)));
    assert_eq!(wait_after(10, 0, Some(SignedDuration::from_secs(1))), None);
}
