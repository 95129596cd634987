//! The actor behind an API key, and the argument types that admit roles.

use crate::ground::problem::{self, Problem};
use actix_web::{FromRequest, HttpMessage, HttpRequest, dev::Payload};
use jiff::Timestamp;
use outshop_core::{days::Day, trade::Role};
use std::{
    future::{Ready, ready},
    time::Duration,
};

/// Who acts, from which key, on which day of the firm.
#[derive(Debug, Clone)]
pub struct Actor {
    pub key_id: i64,
    pub person: String,
    pub role: Role,
    pub now: Timestamp,
    pub today: Day,
    /// How long it took to find out who it is.
    pub waited: Duration,
}

impl Actor {
    /// For what hangs on the request's body and not on its address alone.
    pub fn must_be(&self, roles: &[Role]) -> Result<(), Problem> {
        if roles.contains(&self.role) {
            return Ok(());
        }
        let roles: Vec<_> = roles.iter().map(|role| role.as_str()).collect();
        let detail = format!(
            "a {} key may not do this; it takes: {}",
            self.role,
            roles.join(", ")
        );
        Err(Problem::new(problem::FORBIDDEN, detail))
    }
}

/// The type of a handler's first argument: it lets roles in, and the document names them.
#[diagnostic::on_unimplemented(
    message = "`{Self}` lets no role in",
    note = "the first argument of a handler says who may ask: see `admissions!`"
)]
pub trait Admits {
    /// None where no key is needed.
    const ROLES: &'static [Role];
}

/// Declares argument types that let in the named roles and give the handler its actor.
macro_rules! admissions {
    ($($(#[$doc:meta])* $name:ident: $($role:ident),+;)+) => {$(
        $(#[$doc])*
        pub struct $name(pub Actor);

        impl Admits for $name {
            const ROLES: &'static [Role] = &[$(Role::$role),+];
        }

        impl FromRequest for $name {
            type Error = Problem;
            type Future = Ready<Result<Self, Problem>>;

            fn from_request(req: &HttpRequest, _: &mut Payload) -> Self::Future {
                ready(admit(req, $name::ROLES).map($name))
            }
        }
    )+};
}

admissions! {
    /// The proprietor alone.
    Owner: Proprietor;
    /// All who work in the firm.
    Staff: Proprietor, Fitter, Seller, Bookkeeper;
    /// Surveys, jobs and tests.
    Workshop: Proprietor, Fitter;
    /// Those who handle the engines.
    Floor: Proprietor, Fitter, Seller;
    /// Listings to deliveries.
    Selling: Proprietor, Seller;
    /// What the firm shows of its selling to those who work with it.
    SellingRead: Proprietor, Seller, Bookkeeper;
    /// Reservations, also asked for on the firm's own site.
    Reserving: Proprietor, Seller, Website;
    /// One reservation, to read.
    ReservingRead: Proprietor, Seller, Bookkeeper, Website;
    /// Purchase prices and both ledgers.
    MoneyDesk: Proprietor, Bookkeeper;
    /// Any live key.
    AnyKey: Proprietor, Fitter, Seller, Bookkeeper, Website;
}

/// A visitor, with a key or without.
pub struct Anyone;

impl Admits for Anyone {
    const ROLES: &'static [Role] = &[];
}

impl FromRequest for Anyone {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(_: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(Ok(Anyone))
    }
}

fn admit(req: &HttpRequest, roles: &[Role]) -> Result<Actor, Problem> {
    let unauthorized = |detail: &str| {
        Problem::new(problem::UNAUTHORIZED, detail)
            .with_header("www-authenticate", "Bearer realm=\"outshop\"")
    };
    match req.extensions().get::<Result<Actor, ()>>() {
        None => Err(unauthorized("send a key: Authorization: Bearer outshop_..")),
        Some(Err(())) => Err(unauthorized("the key is unknown, revoked or expired")),
        Some(Ok(actor)) => actor.must_be(roles).map(|()| actor.clone()),
    }
}
