//! Webhooks: when to retry a call that was not received.
//!
//! Source: the retry schedule of Standard Webhooks 1.0.0.

use jiff::SignedDuration;

words! {
    /// Whether a webhook is called.
    pub enum Switch { On = "on", Off = "off" }
}

words! {
    /// Why a webhook was switched off.
    pub enum SwitchedOffReason {
        ByHand = "by_hand",
        /// The receiver responded with 410.
        Gone = "gone",
        /// Every attempt of a call failed.
        Unanswered = "unanswered",
    }
}

words! {
    /// Outcome of a call.
    pub enum Reception { Waiting = "waiting", Received = "received", Failed = "failed" }
}

/// The wait after each attempt.
const WAITS: [SignedDuration; 9] = [
    SignedDuration::from_secs(5),
    SignedDuration::from_mins(5),
    SignedDuration::from_mins(30),
    SignedDuration::from_hours(2),
    SignedDuration::from_hours(5),
    SignedDuration::from_hours(10),
    SignedDuration::from_hours(14),
    SignedDuration::from_hours(20),
    SignedDuration::from_hours(24),
];
/// The longest wait that a receiver may ask for.
const LONGEST: SignedDuration = SignedDuration::from_hours(24);

/// How long to wait after this many attempts. `None`: no further attempt.
///
/// `jitter` of 0 to 255 lengthens the wait by up to a tenth, so that calls that failed together are not retried
/// together. `asked` is the receiver's Retry-After; the longer wait is used, up to a day.
pub fn wait_after(
    attempts: u32,
    jitter: u8,
    asked: Option<SignedDuration>,
) -> Option<SignedDuration> {
    let nth = usize::try_from(attempts).ok()?.checked_sub(1)?;
    let wait = *WAITS.get(nth)?;
    let wait = wait + wait * i32::from(jitter) / 2550;
    Some(asked.map_or(wait, |asked| wait.max(asked.min(LONGEST))))
}
