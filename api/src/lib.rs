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
    pub(crate) mod body;
    pub mod clock;
    pub(crate) mod confirmations;
    pub mod connection;
    pub mod db;
    pub(crate) mod entries;
    pub(crate) mod list;
    pub(crate) mod operations;
    pub mod problem;
    pub(crate) mod query;
    pub(crate) mod strict_json;
    pub mod text;
    pub mod traces;
}
/// The firm, its keys, persons, languages, units and sheets.
pub mod firm {
    pub(crate) mod dated_rows;
    pub(crate) mod firm;
    pub mod keys;
    pub(crate) mod languages;
    pub(crate) mod persons;
    pub(crate) mod sheets;
    pub(crate) mod units;
}
/// Costs, taxes, the stock book and the accounts.
pub mod books {
    pub(crate) mod accounts;
    pub(crate) mod accounts_entries;
    pub(crate) mod calculations;
    pub(crate) mod cash_rule;
    pub(crate) mod costs;
    pub(crate) mod exchange_rates;
    pub(crate) mod export_taxes;
    pub(crate) mod outgoing_payments;
    pub(crate) mod statutory_periods;
    pub(crate) mod stock_book;
    pub(crate) mod tax_periods;
    pub(crate) mod tax_rules;
}
/// Boilers, their codes, tests and certificates.
pub mod boilers {
    pub(crate) mod boiler_records;
    pub(crate) mod boiler_tests;
    pub(crate) mod boilers;
    pub(crate) mod certificates;
    pub(crate) mod codes;
    pub(crate) mod inspector_days;
    pub(crate) mod installations;
    pub(crate) mod papers;
    pub(crate) mod pressure_changes;
}
/// Engines: facts, surveys, photographs, working figures.
pub mod engines {
    pub(crate) mod engines;
    pub(crate) mod findings;
    pub mod photographs;
    pub(crate) mod survey_sheets;
    pub(crate) mod surveys;
    pub(crate) mod working_figures;
}
/// Jobs, fitters, inspector's visits, readiness.
pub mod workshop {
    pub(crate) mod checklist_items;
    pub(crate) mod cost_to_come;
    pub(crate) mod despatch_checklist;
    pub(crate) mod fitters;
    pub(crate) mod hour_rates;
    pub(crate) mod inspector_visits;
    pub(crate) mod jobs;
    pub(crate) mod readiness;
    pub(crate) mod test_costs;
    pub(crate) mod work_records;
}
/// What a process needs to run.
pub mod service {
    pub mod cluster;
    pub mod config;
    pub mod limits;
    pub mod metrics;
    pub mod migrations;
    pub(crate) mod reference;
    pub mod wire;
}
pub mod demo;
/// Valuations, the price models and sales that they use, and margins.
pub mod pricing {
    pub mod achieved_sales;
    pub(crate) mod as_it_stands_prices;
    pub(crate) mod asking_prices;
    pub mod back_tests;
    pub(crate) mod closing_stock;
    pub mod comparables;
    pub(crate) mod margins;
    pub mod price_models;
    pub(crate) mod price_scale;
    pub(crate) mod pricing_facts;
    pub(crate) mod track_record;
    pub(crate) mod valuations;
}
/// The journal, webhooks and midnight.
pub mod notifying {
    pub(crate) mod journal;
    pub mod midnight;
    pub mod webhooks;
}
/// Plans, promises, and which jobs pay for themselves.
pub mod planning {
    pub(crate) mod plans;
    pub(crate) mod value_added;
}
/// Enquiries, listings, offers, reservations.
pub mod enquiring {
    pub(crate) mod enquiries;
    pub(crate) mod listings;
    pub(crate) mod offers;
    pub(crate) mod promises;
    pub mod reservations;
}
/// Sales and what comes after them.
pub mod selling {
    pub(crate) mod commissions;
    pub(crate) mod complaints;
    pub(crate) mod deliveries;
    pub(crate) mod deposits;
    pub(crate) mod disposals;
    pub(crate) mod exports;
    pub(crate) mod invoices;
    pub(crate) mod payments;
    pub(crate) mod returns;
    pub(crate) mod sales;
    pub(crate) mod support_notes;
}
/// What concerns all the other modules.
pub mod desk {
    pub mod backups;
    pub mod erasures;
}
/// Acquisitions, and the most to pay for an engine.
pub mod buying {
    pub(crate) mod acquisitions;
    pub(crate) mod buying_valuations;
    pub(crate) mod tax_positions;
}
/// What visitors and buyers see.
pub mod shop {
    pub(crate) mod descriptions;
    pub(crate) mod labels;
    pub(crate) mod owner_notes;
    pub mod prints;
    pub mod public;
}

pub(crate) mod schema;
pub(crate) mod stock;

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
    shop::labels::routes(cfg);
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
    let mut document = documented.below(service::reference::head());
    notifying::webhooks::message::describe(&mut document);
    service::reference::finished(document)
}
