//! The service. Reading order: this list of routes, then any one resource.

#![expect(
    unused_qualifications,
    reason = "the code that utoipa derives from params(..) qualifies names that are in scope"
)]

pub mod accounts;
pub mod accounts_entries;
pub mod achieved_sales;
pub mod acquisitions;
pub mod appraisals;
pub mod asking_prices;
pub mod back_tests;
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
pub mod costs;
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
pub mod firm;
pub mod fits;
pub mod guide;
pub mod handover_notes;
pub mod hour_rates;
pub mod inspector_days;
pub mod instants;
pub mod invoices;
pub mod jobs;
pub mod journal;
pub mod keys;
pub mod listings;
pub mod metrics;
pub mod midnight;
pub mod money;
pub mod offers;
pub mod owner_notices;
pub mod page;
pub mod papers;
pub mod persons;
pub mod photographs;
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
pub mod text;
pub mod track_record;
pub mod units;
pub mod valuations;
pub mod wire;
pub mod work_records;
pub mod working_figures;

use actix_web::{
    App, Error,
    body::MessageBody,
    dev::{ServiceFactory, ServiceRequest, ServiceResponse},
    middleware::{Compress, from_fn},
    web,
};
use clock::Clock;
use db::Db;
use photographs::Store;
use public::ShopWindow;
use utoipa_actix_web::{AppExt, service_config::ServiceConfig};

/// Everything below `/v1`: the server and openapi.json both come from this list.
fn v1(cfg: &mut ServiceConfig<'_>) {
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
    invoices::routes(cfg);
    handover_notes::routes(cfg);
    prints::routes(cfg);
    disposals::routes(cfg);
    public::routes(cfg);
    surveys::routes(cfg);
    survey_sheets::routes(cfg);
    jobs::routes(cfg);
    work_records::routes(cfg);
    guide::routes(cfg);
    comparables::routes(cfg);
    fits::routes(cfg);
    valuations::routes(cfg);
    appraisals::routes(cfg);
    chances::routes(cfg);
    ratio_studies::routes(cfg);
    track_record::routes(cfg);
    asking_prices::routes(cfg);
    back_tests::routes(cfg);
    owner_notices::routes(cfg);
    calculations::routes(cfg);
    cash::routes(cfg);
    exchange_rates::routes(cfg);
    costs::routes(cfg);
    money::routes(cfg);
    hour_rates::routes(cfg);
    tax_periods::routes(cfg);
    stock_book::routes(cfg);
    stock_values::routes(cfg);
    accounts::routes(cfg);
    accounts_entries::routes(cfg);
    tax_positions::routes(cfg);
    tax_rules::routes(cfg);
    sale_terms::routes(cfg);
    journal::routes(cfg);
}

/// The whole application, and the document that describes it.
pub fn app(
    db: Db,
    clock: Clock,
    store: Store,
    window: ShopWindow,
) -> App<
    impl ServiceFactory<
        ServiceRequest,
        Config = (),
        Response = ServiceResponse<impl MessageBody>,
        Error = Error,
        InitError = (),
    >,
> {
    let (app, document) = App::new()
        .into_utoipa_app()
        .openapi(reference::head())
        .service(utoipa_actix_web::scope("/v1").configure(v1))
        .split_for_parts();
    let document = reference::finished(document);
    app.app_data(web::Data::new(db))
        .app_data(web::Data::new(clock))
        .app_data(web::Data::new(store))
        .app_data(web::Data::new(window))
        .app_data(wire::paths())
        .configure(|cfg| wire::routes(cfg, &document))
        .configure(|cfg| reference::routes(cfg, &document))
        .wrap(from_fn(wire::no_panic_escapes))
        .wrap(from_fn(keys::authenticate))
        .wrap(from_fn(wire::tag_by_coding))
        .wrap(Compress::default())
        .wrap(from_fn(wire::common))
}

/// The OpenAPI document; needs no database.
pub fn document() -> utoipa::openapi::OpenApi {
    let (_, document) = App::new()
        .into_utoipa_app()
        .openapi(reference::head())
        .service(utoipa_actix_web::scope("/v1").configure(v1))
        .split_for_parts();
    reference::finished(document)
}
