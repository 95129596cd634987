//! The service. Reading order: this list of routes, then any one resource.

#![expect(
    unused_qualifications,
    reason = "the code that utoipa derives from params(..) qualifies names that are in scope"
)]
// The example of an engine names each of its members.
#![recursion_limit = "256"]

pub mod accounts;
pub mod accounts_entries;
pub mod achieved_sales;
pub mod acquisitions;
pub mod appraisals;
pub mod as_it_stands_prices;
pub mod asking_prices;
pub mod back_tests;
pub mod backups;
pub mod body;
pub mod boiler_records;
pub mod boilers;
pub mod calculations;
pub mod cash;
pub mod chances;
pub mod clock;
pub mod cluster;
pub mod codes;
pub mod commissions;
pub mod comparables;
pub mod complaints;
pub mod config;
mod confirmations;
pub mod connection;
pub mod costs;
pub mod days_off;
pub mod db;
pub mod deliveries;
pub mod demo;
pub mod deposits;
pub mod descriptions;
pub mod disposals;
pub mod engine_facts;
pub mod engines;
pub mod enquiries;
pub mod erasures;
pub mod exchange_rates;
pub mod exports;
pub mod firm;
pub mod fits;
pub mod fitters;
pub mod guide;
pub mod handover_notes;
pub mod hour_rates;
pub mod inspector_days;
pub mod inspector_visits;
pub mod instants;
pub mod invoices;
pub mod jobs;
pub mod journal;
pub mod keys;
pub mod languages;
pub mod limits;
pub mod listings;
pub mod metrics;
pub mod midnight;
pub mod money;
pub mod offers;
pub mod operations;
pub mod outgoing_payments;
mod owner_notices;
pub mod page;
pub mod papers;
pub mod persons;
pub mod photographs;
pub mod plans;
pub mod preparation_items;
pub mod preparations;
pub mod prints;
pub mod problem;
pub mod promises;
pub mod public;
pub mod ratio_studies;
pub mod readiness;
pub mod receipts;
pub mod reference;
pub mod reservations;
pub mod returns;
pub mod rows;
pub mod sale_terms;
pub mod sales;
pub mod schema;
pub mod sheets;
pub mod stock_book;
pub mod stock_values;
pub mod support_notes;
pub mod survey_sheets;
pub mod surveys;
pub mod tax_periods;
pub mod tax_positions;
pub mod tax_rules;
pub mod test_terms;
pub mod text;
pub mod traces;
pub mod track_record;
pub mod units;
mod unrepeated;
pub mod valuations;
pub mod webhooks;
pub mod wire;
pub mod work_records;
pub mod working_figures;
pub mod worths;

use actix_web::{
    App, Error,
    body::MessageBody,
    dev::{ServiceFactory, ServiceRequest, ServiceResponse},
    middleware::{Compress, from_fn},
    web,
};
use clock::Clock;
use db::Db;
use limits::Limits;
use operations::{Addresses, Operations, Said};
use photographs::Store;
use public::ShopWindow;
use utoipa::openapi::OpenApi;
use webhooks::{cipher::Cipher, guard::Reach};

/// Everything below `/v1`: the server and openapi.json both come from this list.
fn v1(cfg: &mut Operations<'_>) {
    // An address is looked for in this order, and visitors are the most.
    public::routes(cfg);
    firm::routes(cfg);
    keys::routes(cfg);
    persons::routes(cfg);
    erasures::routes(cfg);
    units::routes(cfg);
    engines::routes(cfg);
    descriptions::routes(cfg);
    acquisitions::routes(cfg);
    boilers::routes(cfg);
    papers::routes(cfg);
    boiler_records::routes(cfg);
    inspector_days::routes(cfg);
    codes::routes(cfg);
    readiness::routes(cfg);
    working_figures::routes(cfg);
    listings::routes(cfg);
    photographs::routes(cfg);
    enquiries::routes(cfg);
    reservations::routes(cfg);
    deposits::routes(cfg);
    receipts::routes(cfg);
    offers::routes(cfg);
    sales::routes(cfg);
    promises::routes(cfg);
    commissions::routes(cfg);
    preparations::routes(cfg);
    preparation_items::routes(cfg);
    deliveries::routes(cfg);
    returns::routes(cfg);
    complaints::routes(cfg);
    support_notes::routes(cfg);
    exports::routes(cfg);
    invoices::routes(cfg);
    handover_notes::routes(cfg);
    prints::routes(cfg);
    disposals::routes(cfg);
    surveys::routes(cfg);
    survey_sheets::routes(cfg);
    jobs::routes(cfg);
    worths::routes(cfg);
    fitters::routes(cfg);
    days_off::routes(cfg);
    inspector_visits::routes(cfg);
    test_terms::routes(cfg);
    plans::routes(cfg);
    work_records::routes(cfg);
    guide::routes(cfg);
    comparables::routes(cfg);
    fits::routes(cfg);
    valuations::routes(cfg);
    appraisals::routes(cfg);
    chances::routes(cfg);
    ratio_studies::routes(cfg);
    track_record::routes(cfg);
    as_it_stands_prices::routes(cfg);
    asking_prices::routes(cfg);
    back_tests::routes(cfg);
    owner_notices::routes(cfg);
    calculations::routes(cfg);
    cash::routes(cfg);
    exchange_rates::routes(cfg);
    costs::routes(cfg);
    money::routes(cfg);
    hour_rates::routes(cfg);
    outgoing_payments::routes(cfg);
    tax_periods::routes(cfg);
    stock_book::routes(cfg);
    stock_values::routes(cfg);
    accounts::routes(cfg);
    accounts_entries::routes(cfg);
    tax_positions::routes(cfg);
    tax_rules::routes(cfg);
    sale_terms::routes(cfg);
    journal::routes(cfg);
    webhooks::routes(cfg);
}

/// What the requests of a process share.
#[derive(Clone)]
pub struct Shared {
    pub db: Db,
    pub clock: Clock,
    pub store: Store,
    pub window: ShopWindow,
    /// Where webhooks may be.
    pub reach: Reach,
    pub limits: Limits,
    /// For secrets of webhooks.
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
    let v1 = web::scope(operations::ROOT).configure(|cfg| {
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
        .app_data(wire::paths())
        .configure(|cfg| wire::routes(cfg, addresses))
        .configure(reference::routes)
        .wrap(from_fn(wire::no_panic_escapes))
        .wrap(from_fn(limits::hold))
        .wrap(from_fn(keys::authenticate))
        .wrap(from_fn(wire::in_time))
        .wrap(from_fn(wire::tag_by_coding))
        .wrap(Compress::default())
        .wrap(from_fn(wire::common))
        .wrap(from_fn(traces::request))
}

/// The OpenAPI document; needs no database.
pub fn document() -> OpenApi {
    let mut said = Said::default();
    web::scope(operations::ROOT).configure(|cfg| v1(&mut Operations::heard(cfg, &mut said)));
    reference::finished(said.below(reference::head()))
}
