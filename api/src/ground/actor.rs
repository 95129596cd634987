//! The actor behind an API key, and the argument types that admit roles.

use crate::ground::problem::{self, Problem};
use actix_web::{FromRequest, HttpMessage, HttpRequest, dev::Payload};
use jiff::Timestamp;
use outshop_core::{days::Day, trade::Role};
use std::{
    future::{Ready, ready},
    time::Duration,
};

/// Who acts, with which key, and the firm's date.
#[derive(Debug, Clone)]
pub struct Actor {
    pub key_id: i64,
    pub person: String,
    pub role: Role,
    pub now: Timestamp,
    pub today: Day,
    /// How long the look-up of the key took.
    pub waited: Duration,
}

impl Actor {
    /// For permissions that depend on the request's body as well as on its path.
    pub fn must_be(&self, roles: &[Role]) -> Result<(), Problem> {
        if roles.contains(&self.role) {
            return Ok(());
        }
        let roles: Vec<_> = roles.iter().map(|role| role.as_str()).collect();
        let detail = format!(
            "a {} key may not do this; use a key with one of the roles: {}",
            self.role,
            roles.join(", ")
        );
        Err(Problem::new(problem::FORBIDDEN, detail))
    }
}

/// The type of a handler's first argument: it checks the role, and the OpenAPI document lists the roles.
#[diagnostic::on_unimplemented(
    message = "`{Self}` lets no role in",
    note = "the first argument of a handler says which roles may call it: see `admissions!`"
)]
pub trait Admits {
    /// Empty: no key is needed.
    const ROLES: &'static [Role];
}

/// Declares argument types that admit the named roles and give the handler its actor.
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
    /// The proprietor only.
    Owner: Proprietor;
    /// Everybody who works in the firm.
    Staff: Proprietor, Fitter, Seller, Bookkeeper;
    /// For surveys, jobs and tests.
    Workshop: Proprietor, Fitter;
    /// Everybody who handles the engines.
    FloorStaff: Proprietor, Fitter, Seller;
    /// For everything from listings to deliveries.
    Selling: Proprietor, Seller;
    /// For reading sales and deliveries.
    SellingRead: Proprietor, Seller, Bookkeeper;
    /// For making reservations, also through the firm's website.
    Reserving: Proprietor, Seller, Website;
    /// For reading a reservation.
    ReservingRead: Proprietor, Seller, Bookkeeper, Website;
    /// For purchase prices and both ledgers.
    MoneyDesk: Proprietor, Bookkeeper;
    /// Any valid key.
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
        Some(Err(())) => Err(unauthorized(
            "the key is unknown, revoked or expired; ask the proprietor for a new one",
        )),
        Some(Ok(actor)) => actor.must_be(roles).map(|()| actor.clone()),
    }
}
