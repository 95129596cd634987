//! Rate limits, by key or else by address. IETF draft "RateLimit header fields for HTTP".

use crate::ground::{
    actor::Actor,
    problem::{self, Problem},
};
use actix_web::{
    HttpMessage, ResponseError,
    body::MessageBody,
    dev::{ServiceRequest, ServiceResponse},
    http::header::{HeaderMap, HeaderName, HeaderValue},
    middleware::Next,
    web,
};
use governor::{
    Quota, RateLimiter,
    clock::{Clock, DefaultClock},
    middleware::StateInformationMiddleware,
    state::keyed::DashMapStateStore,
};
use std::{
    net::{IpAddr, Ipv4Addr},
    num::NonZeroU32,
    sync::Arc,
    time::Duration,
};

/// How often idle clients are dropped.
pub const FORGET_INTERVAL: Duration = Duration::from_secs(60);
const POLICY: HeaderName = HeaderName::from_static("ratelimit-policy");
const LIMIT: HeaderName = HeaderName::from_static("ratelimit");

/// The limits of one process; clones share their counters.
#[derive(Clone)]
pub struct Limits {
    visitors: Option<Arc<Bucket<IpAddr>>>,
    keys: Option<Arc<Bucket<i64>>>,
    proxies: Arc<[IpAddr]>,
    /// The time that a body of any length may take; long ones get more.
    pub(crate) body_given: Duration,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            visitors: None,
            keys: None,
            proxies: Arc::default(),
            body_given: Duration::from_secs(30),
        }
    }
}

type Counter<K> = RateLimiter<K, DashMapStateStore<K>, DefaultClock, StateInformationMiddleware>;

struct Bucket<K: std::hash::Hash + Eq + Clone> {
    name: &'static str,
    per_minute: NonZeroU32,
    policy: HeaderValue,
    counter: Counter<K>,
}

impl Limits {
    /// Requests per minute from a visitor, known by address, and with a key; 0: no limit. The forwarded addresses that
    /// `proxies` send are trusted.
    pub fn per_minute(visitor: u32, key: u32, proxies: Vec<IpAddr>) -> Limits {
        Limits {
            visitors: NonZeroU32::new(visitor).map(|n| Arc::new(Bucket::new("public", n))),
            keys: NonZeroU32::new(key).map(|n| Arc::new(Bucket::new("key", n))),
            proxies: proxies.into(),
            ..Limits::default()
        }
    }

    pub fn giving_a_body(self, body_given: Duration) -> Limits {
        Limits { body_given, ..self }
    }

    pub fn forget(&self) {
        if let Some(visitors) = &self.visitors {
            visitors.counter.retain_recent();
        }
        if let Some(keys) = &self.keys {
            keys.counter.retain_recent();
        }
    }

    /// The client's address: the peer or, behind trusted proxies, the last forwarded address that is not one of them.
    fn visitor(&self, req: &ServiceRequest) -> IpAddr {
        let peer = req.peer_addr().map(|peer| peer.ip());
        let peer = peer.unwrap_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED));
        if !self.proxies.contains(&peer) {
            return peer;
        }
        let named = req.headers().get_all("x-forwarded-for");
        let named: Vec<IpAddr> = named
            .filter_map(|line| line.to_str().ok())
            .flat_map(|line| line.split(','))
            .filter_map(|address| address.trim().parse().ok())
            .collect();
        let mut from_the_last = named.into_iter().rev();
        from_the_last
            .find(|address| !self.proxies.contains(address))
            .unwrap_or(peer)
    }
}

impl<K: std::hash::Hash + Eq + Clone> Bucket<K> {
    fn new(name: &'static str, per_minute: NonZeroU32) -> Bucket<K> {
        let policy = HeaderValue::from_str(&format!("\"{name}\";q={per_minute};w=60"));
        Bucket {
            name,
            per_minute,
            policy: policy.expect("letters and digits"),
            counter: RateLimiter::dashmap(Quota::per_minute(per_minute)).with_middleware(),
        }
    }

    /// Counts a request; returns what is left, or refuses with the seconds to wait.
    fn count(&self, who: &K) -> Result<HeaderValue, Problem> {
        let value = |left: u32, seconds: u64| {
            let text = format!("\"{}\";r={left};t={seconds}", self.name);
            HeaderValue::from_str(&text).expect("letters and digits")
        };
        match self.counter.check_key(who) {
            Ok(state) => {
                let left = state.remaining_burst_capacity();
                let used = self.per_minute.get().saturating_sub(left);
                // Capacity comes back evenly over the minute.
                let seconds = (u64::from(used) * 60).div_ceil(u64::from(self.per_minute.get()));
                Ok(value(left, seconds))
            }
            Err(not_until) => {
                let wait = not_until.wait_time_from(DefaultClock::default().now());
                let seconds = wait.as_secs() + 1;
                let detail = format!(
                    "more than {} requests in a minute; wait {seconds} s",
                    self.per_minute
                );
                let problem = Problem::new(problem::TOO_MANY_REQUESTS, detail)
                    .with_header("retry-after", seconds.to_string());
                Err(problem
                    .with_header("ratelimit-policy", self.policy.to_str().unwrap_or_default())
                    .with_header("ratelimit", value(0, seconds).to_str().unwrap_or_default()))
            }
        }
    }

    fn add_headers(&self, headers: &mut HeaderMap, left: HeaderValue) {
        headers.insert(POLICY, self.policy.clone());
        headers.insert(LIMIT, left);
    }
}

/// The limits for a request.
pub(crate) fn of(req: &ServiceRequest) -> web::Data<Limits> {
    let limits = req.app_data::<web::Data<Limits>>().cloned();
    limits.expect("app() gives every request its limits")
}

/// Counts a request after its key was looked up. With an invalid key it counts for the address.
pub async fn hold(
    req: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    if !req.path().starts_with("/v1/") {
        return Ok(next.call(req).await?.map_into_left_body());
    }
    let limits = of(&req);
    let key = match req.extensions().get::<Result<Actor, ()>>() {
        Some(Ok(actor)) => Some(actor.key_id),
        Some(Err(())) | None => None,
    };
    let counted = match (key, &limits.keys, &limits.visitors) {
        (Some(key), Some(keys), _) => Some(keys.count(&key)),
        (None, _, Some(visitors)) => Some(visitors.count(&limits.visitor(&req))),
        (Some(_), None, _) | (None, _, None) => None,
    };
    match counted {
        Some(Err(problem)) => Ok(req
            .into_response(problem.error_response())
            .map_into_right_body()),
        Some(Ok(left)) => {
            let mut answered = next.call(req).await?.map_into_left_body();
            match (key, &limits.keys, &limits.visitors) {
                (Some(_), Some(keys), _) => keys.add_headers(answered.headers_mut(), left),
                (_, _, Some(visitors)) => visitors.add_headers(answered.headers_mut(), left),
                (_, _, None) => {}
            }
            Ok(answered)
        }
        None => Ok(next.call(req).await?.map_into_left_body()),
    }
}
