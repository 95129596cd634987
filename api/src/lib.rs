//! The service. Reading order: this list of routes, then any resource.

#![expect(
    unused_qualifications,
    reason = "the code that utoipa derives from params(..) qualifies names that are in scope"
)]
// The example of an engine names each of its members.
#![recursion_limit = "256"]

/// What every resource uses; it knows none of them.
pub mod ground {
    pub mod actor;
    pub mod answers;
    pub mod body;
    pub mod clock;
    pub(crate) mod confirmations;
    pub mod connection;
    pub mod db;
    pub mod entries;
    pub mod list;
    pub mod operations;
    pub mod problem;
    pub mod query;
    pub(crate) mod strict_json;
    pub mod text;
    pub mod traces;
}
/// The firm, its keys, persons, languages, units and sheets.
pub mod firm {
    pub mod dated_rows;
    pub mod firm;
    pub mod keys;
    pub mod languages;
    pub mod persons;
    pub mod sheets;
    pub mod units;
}
/// Costs, taxes, the stock book and the accounts.
pub mod books {
    pub mod accounts;
    pub mod accounts_entries;
    pub mod calculations;
    pub mod cash_rule;
    pub mod costs;
    pub mod exchange_rates;
    pub(crate) mod export_taxes;
    pub mod outgoing_payments;
    pub mod statutory_periods;
    pub mod stock_book;
    pub mod tax_periods;
    pub mod tax_rules;
}
/// Boilers, their codes, tests and certificates.
pub mod boilers {
    pub mod boiler_records;
    pub mod boiler_tests;
    pub mod boilers;
    pub mod certificates;
    pub mod codes;
    pub mod inspector_days;
    pub mod installations;
    pub mod papers;
    pub mod pressure_changes;
}
/// Engines: facts, surveys, photographs, working figures.
pub mod engines {
    pub mod engines;
    pub mod findings;
    pub mod photographs;
    pub mod survey_sheets;
    pub mod surveys;
    pub mod working_figures;
}
/// Jobs, fitters, inspector's visits, readiness.
pub mod workshop {
    pub mod checklist_items;
    pub(crate) mod cost_to_come;
    pub mod despatch_checklist;
    pub mod fitters;
    pub mod hour_rates;
    pub mod inspector_visits;
    pub mod jobs;
    pub mod readiness;
    pub mod test_costs;
    pub mod work_records;
}
/// What a process needs to run.
pub mod service {
    pub mod cluster;
    pub mod config;
    pub mod limits;
    pub mod metrics;
    pub mod reference;
    pub mod wire;
}
pub mod demo;
/// Valuations, the price models and sales that they use, and margins.
pub mod pricing {
    pub mod achieved_sales;
    pub mod as_it_stands_prices;
    pub mod asking_prices;
    pub mod back_tests;
    pub mod closing_stock;
    pub mod comparables;
    pub mod margins;
    pub mod price_models;
    pub mod price_scale;
    pub mod pricing_facts;
    pub mod track_record;
    pub mod valuations;
}
/// The journal, webhooks and midnight.
pub mod notifying {
    pub mod journal;
    pub mod midnight;
    pub mod webhooks;
}
/// Plans, promises, and which jobs pay for themselves.
pub mod planning {
    pub mod plans;
    pub mod value_added;
}
/// Enquiries, listings, offers, reservations.
pub mod enquiring {
    pub mod enquiries;
    pub mod listings;
    pub mod offers;
    pub mod promises;
    pub mod reservations;
}
/// Sales and what comes after them.
pub mod selling {
    pub mod commissions;
    pub mod complaints;
    pub mod deliveries;
    pub mod deposits;
    pub mod disposals;
    pub mod exports;
    pub mod invoices;
    pub mod payments;
    pub mod returns;
    pub mod sales;
    pub mod support_notes;
}
/// What concerns all the other modules.
pub mod desk {
    pub mod backups;
    pub mod erasures;
}
/// Acquisitions, and the most to pay for an engine.
pub mod buying {
    pub mod acquisitions;
    pub mod buying_valuations;
    pub mod tax_positions;
}
/// What visitors and buyers see.
pub mod shop {
    pub mod descriptions;
    pub mod owner_notes;
    pub mod prints;
    pub mod public;
}

pub mod schema;
pub mod stock;

use actix_web::{
    App, Error,
    body::MessageBody,
    dev::{ServiceFactory, ServiceRequest, ServiceResponse},
    middleware::{Compress, from_fn},
    web,
};
use engines::photographs::Store;
use ground::clock::Clock;
use ground::db::Db;
use ground::operations::{Addresses, Documented, Operations};
use notifying::webhooks::{cipher::Cipher, guard::AllowedTargets};
use serde_json::Value;
use service::limits::Limits;
use shop::public::ShopWindow;

/// Everything below `/v1`: the server and openapi.json both come from this list.
fn v1(cfg: &mut Operations<'_>) {
    // Routes are tried in this order, and most requests are from visitors.
    shop::public::routes(cfg);
    firm::firm::routes(cfg);
    firm::keys::routes(cfg);
    firm::persons::routes(cfg);
    desk::erasures::routes(cfg);
    firm::units::routes(cfg);
    engines::engines::routes(cfg);
    shop::descriptions::routes(cfg);
    buying::acquisitions::routes(cfg);
    boilers::boilers::routes(cfg);
    boilers::installations::routes(cfg);
    boilers::pressure_changes::routes(cfg);
    boilers::boiler_tests::routes(cfg);
    boilers::certificates::routes(cfg);
    boilers::papers::routes(cfg);
    boilers::boiler_records::routes(cfg);
    boilers::inspector_days::routes(cfg);
    boilers::codes::routes(cfg);
    workshop::readiness::routes(cfg);
    engines::working_figures::routes(cfg);
    enquiring::listings::routes(cfg);
    engines::photographs::routes(cfg);
    enquiring::enquiries::routes(cfg);
    enquiring::reservations::routes(cfg);
    selling::deposits::routes(cfg);
    enquiring::offers::routes(cfg);
    selling::sales::routes(cfg);
    selling::payments::routes(cfg);
    enquiring::promises::routes(cfg);
    selling::commissions::routes(cfg);
    workshop::despatch_checklist::routes(cfg);
    workshop::checklist_items::routes(cfg);
    selling::deliveries::routes(cfg);
    selling::returns::routes(cfg);
    selling::complaints::routes(cfg);
    selling::support_notes::routes(cfg);
    selling::exports::routes(cfg);
    selling::invoices::routes(cfg);
    shop::owner_notes::routes(cfg);
    shop::prints::routes(cfg);
    selling::disposals::routes(cfg);
    engines::surveys::routes(cfg);
    engines::findings::routes(cfg);
    engines::survey_sheets::routes(cfg);
    workshop::jobs::routes(cfg);
    planning::value_added::routes(cfg);
    workshop::fitters::routes(cfg);
    workshop::inspector_visits::routes(cfg);
    workshop::test_costs::routes(cfg);
    planning::plans::routes(cfg);
    workshop::work_records::routes(cfg);
    pricing::price_scale::routes(cfg);
    pricing::comparables::routes(cfg);
    pricing::price_models::routes(cfg);
    pricing::valuations::routes(cfg);
    buying::buying_valuations::routes(cfg);
    pricing::track_record::routes(cfg);
    pricing::as_it_stands_prices::routes(cfg);
    pricing::asking_prices::routes(cfg);
    pricing::back_tests::routes(cfg);
    books::calculations::routes(cfg);
    books::cash_rule::routes(cfg);
    books::exchange_rates::routes(cfg);
    books::costs::routes(cfg);
    pricing::margins::routes(cfg);
    workshop::hour_rates::routes(cfg);
    books::outgoing_payments::routes(cfg);
    books::tax_periods::routes(cfg);
    books::stock_book::routes(cfg);
    pricing::closing_stock::routes(cfg);
    books::accounts::routes(cfg);
    books::accounts_entries::routes(cfg);
    buying::tax_positions::routes(cfg);
    books::tax_rules::routes(cfg);
    books::statutory_periods::routes(cfg);
    notifying::journal::routes(cfg);
    notifying::webhooks::routes(cfg);
}

/// What the requests of a process share.
#[derive(Clone)]
pub struct Shared {
    pub db: Db,
    pub clock: Clock,
    pub store: Store,
    pub window: ShopWindow,
    /// Which addresses webhooks may have.
    pub reach: AllowedTargets,
    pub limits: Limits,
    /// Encrypts webhook secrets.
    pub cipher: Cipher,
}

/// The whole application.
pub fn app(
    shared: Shared,
) -> App<
    impl ServiceFactory<
        ServiceRequest,
        Config = (),
        Response = ServiceResponse<impl MessageBody>,
        Error = Error,
        InitError = (),
    >,
> {
    let mut addresses = Addresses::default();
    let v1 = web::scope(ground::operations::ROOT).configure(|cfg| {
        let mut operations = Operations::of(cfg);
        v1(&mut operations);
        addresses = operations.addresses();
    });
    App::new()
        .service(v1)
        .app_data(web::Data::new(shared.db))
        .app_data(web::Data::new(shared.clock))
        .app_data(web::Data::new(shared.store))
        .app_data(web::Data::new(shared.window))
        .app_data(web::Data::new(shared.reach))
        .app_data(web::Data::new(shared.limits))
        .app_data(web::Data::new(shared.cipher))
        .app_data(service::wire::paths())
        .configure(|cfg| service::wire::routes(cfg, addresses))
        .configure(service::reference::routes)
        .wrap(from_fn(service::wire::no_panic_escapes))
        .wrap(from_fn(service::limits::hold))
        .wrap(from_fn(firm::keys::authenticate))
        .wrap(from_fn(service::wire::in_time))
        .wrap(from_fn(service::wire::tag_by_coding))
        .wrap(Compress::default())
        .wrap(from_fn(service::wire::common))
        .wrap(from_fn(ground::traces::request))
}

/// The OpenAPI document; needs no database.
pub fn document() -> Value {
    let mut documented = Documented::default();
    web::scope(ground::operations::ROOT)
        .configure(|cfg| v1(&mut Operations::documented(cfg, &mut documented)));
    service::reference::finished(documented.below(service::reference::head()))
}
