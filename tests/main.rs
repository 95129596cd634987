//! The service through its public interface, each test on a database of its own, in the rooms of the service.

/// The service, a database and clients, for one test.
mod harness;
/// What is sent, as a test means it unless it says otherwise.
mod make;

mod demo;
mod stories;
mod trades;

mod boilers {
    mod boilers;
    mod codes;
    mod papers;
}
mod books {
    mod accounts;
    mod calculations;
    mod cash;
    mod costs;
    mod stock_book;
    mod tax_rules;
}
mod buying {
    mod buying_valuations;
    mod part_exchanges;
    mod tax_positions;
}
mod desk {
    mod backups;
    mod erasures;
}
mod engines {
    mod engines;
    mod photographs;
    mod surveys;
}
mod enquiring {
    mod enquiries;
    mod listings;
    mod offers;
    mod promises;
    mod reservations;
}
mod firm {
    mod sheets;
}
mod ground {
    mod documents;
    pub mod faults;
    mod generated;
    mod interface;
    mod migrations;
    mod races;
    mod repeats;
    mod rooms;
    mod sense;
    mod words;
}
mod notifying {
    mod midnight;
    mod webhooks;
}
mod planning {
    mod plans;
    mod value_added;
}
mod pricing {
    mod asking_prices;
    mod closing_stock;
    mod comparables;
    mod price_models;
    pub mod price_scale;
    mod track_record;
    mod valuations;
}
mod selling {
    mod after_sales;
    mod commissions;
    mod deliveries;
    mod disposals;
    mod exports;
    mod returns;
    mod sales;
}
mod service {
    mod compose;
    mod limits;
    mod reference;
    mod wire;
}
mod shop {
    mod changes;
    mod labels;
    mod public;
}
mod workshop {
    mod jobs;
    mod preparations;
    mod readiness;
    mod to_come;
}
