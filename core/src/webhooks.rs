//! Telling other programs of what happened: when a call that was not received is made again.
//!
//! Source: Standard Webhooks 1.0.0, whose schedule of retries this is.

use jiff::SignedDuration;

words! {
    /// Whether calls are made.
    pub enum Switch { On = "on", Off = "off" }
}

words! {
    /// Why no calls are made any more.
    pub enum SwitchedOffReason {
        ByHand = "by_hand",
        /// The receiver answered 410.
        Gone = "gone",
        /// A call was not received in all its attempts.
        Unanswered = "unanswered",
    }
}

words! {
    /// What became of a call.
    pub enum Reception { Waiting = "waiting", Received = "received", Failed = "failed" }
}

/// Waits after the first attempt and after each that follows it.
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
/// No receiver puts a call off for longer.
const LONGEST: SignedDuration = SignedDuration::from_hours(24);

/// How long to wait after so many attempts; none when there is no further one.
///
/// `jitter` of 0 to 255 lengthens the wait by up to a tenth, so that calls that failed together do not come back together.
/// `asked` is what the receiver asked for with Retry-After; the longer of both holds, up to a day.
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
