//! The personal data in each table: which records belong to a person, and what an erasure does to each text in them.
//! Export and erasure are both built from it. A test compares it with the database's own catalogue, and fails on a
//! text column in neither list.

use std::sync::LazyLock;

/// The records in one table that belong to a person.
pub struct Held {
    pub table: &'static str,
    /// SQL condition on a record; $1 is the person's id.
    theirs: &'static str,
    /// Addresses of a record, each a prefix and the column after it, by which stored responses are found. The first
    /// column is the id.
    addresses: &'static [(&'static str, &'static str)],
    pub texts: &'static [(&'static str, Fate)],
}

/// What an erasure does to a text.
pub enum Fate {
    /// This replaces it.
    Erased(&'static str),
    /// This replaces it unless the books name the person ($2).
    ErasedOutsideOfTheBooks(&'static str),
    /// It is kept, for this reason.
    Kept(&'static str),
}

use Fate::{Erased, ErasedOutsideOfTheBooks, Kept};

const NULL: Fate = Erased("NULL");
const WORD: Fate = Erased("'erased'");
const METHOD: Fate = Kept("how money was paid is part of the books");

const OF_SALE: &str = "sale_id IN (SELECT id FROM sales WHERE person_id = $1)";
const OF_PERSON: &str = "person_id = $1";

pub const HELD: &[Held] = &[
    Held {
        table: "acquisitions",
        theirs: OF_PERSON,
        addresses: &[("/v1/acquisitions/", "id"), ("/v1/engines/", "stock_no")],
        texts: &[
            ("method", Kept("the stock book shows how an engine came")),
            ("tax_position", Kept("the tax on its sale follows from it")),
            ("invoice_no", Kept("the stock book shows it")),
            ("notes", NULL),
            ("paid_by", METHOD),
        ],
    },
    Held {
        table: "complaints",
        theirs: OF_SALE,
        addresses: &[("/v1/complaints/", "id")],
        texts: &[("description", WORD)],
    },
    Held {
        table: "costs",
        theirs: OF_PERSON,
        addresses: &[("/v1/costs/", "id")],
        texts: &[
            (
                "invoice_no",
                Kept("tax is reclaimed on a supplier's invoice by its number"),
            ),
            ("entered_by", Kept("the member of the firm who entered it")),
            ("notes", Kept("what was supplied; the books need it")),
        ],
    },
    Held {
        table: "deliveries",
        theirs: OF_SALE,
        addresses: &[("/v1/deliveries/", "id")],
        texts: &[
            ("method", Kept("it shows where tax was due")),
            ("handed_to", WORD),
            ("items_handed_over", NULL),
            (
                "carrier",
                Kept("the haulier is part of the record of the delivery"),
            ),
            ("carrier_reference", NULL),
            ("country", Kept("the tax on a sale abroad follows from it")),
        ],
    },
    Held {
        table: "deposit_returns",
        theirs: "deposit_id IN (SELECT d.id FROM deposits d JOIN reservations r ON r.id = d.reservation_id WHERE r.person_id = $1)",
        addresses: &[],
        texts: &[("method", METHOD), ("reason", NULL)],
    },
    Held {
        table: "deposits",
        theirs: "reservation_id IN (SELECT id FROM reservations WHERE person_id = $1)",
        addresses: &[("/v1/deposits/", "id")],
        texts: &[("method", METHOD), ("notes", NULL)],
    },
    Held {
        table: "enquiries",
        theirs: OF_PERSON,
        addresses: &[("/v1/enquiries/", "id")],
        texts: &[
            ("wanted_kind", Kept("wants are counted, and name nobody")),
            ("wanted_gauges", Kept("as wanted_kind")),
            ("wanted_scale", Kept("as wanted_kind")),
            ("wanted_whyte", Kept("as wanted_kind")),
            ("message", NULL),
            ("closing_reason", NULL),
        ],
    },
    Held {
        table: "exports",
        theirs: OF_SALE,
        addresses: &[("/v1/exports/", "id")],
        texts: &[
            (
                "destination",
                Kept("evidence that the engine went there makes the sale free of tax"),
            ),
            ("method", Kept("as destination")),
            ("evidence", Kept("as destination")),
        ],
    },
    Held {
        table: "findings",
        theirs: "complaint_id IN (SELECT c.id FROM complaints c JOIN sales s ON s.id = c.sale_id WHERE s.person_id = $1)",
        addresses: &[("/v1/findings/", "id")],
        texts: &[
            ("area", Kept("a part of the engine")),
            ("severity", Kept("of the engine's fault")),
            ("description", WORD),
        ],
    },
    Held {
        table: "offer_answers",
        theirs: "offer_id IN (SELECT id FROM offers WHERE person_id = $1)",
        addresses: &[],
        texts: &[],
    },
    Held {
        table: "offers",
        theirs: OF_PERSON,
        addresses: &[("/v1/offers/", "id")],
        texts: &[
            ("notes", NULL),
            (
                "confirmed",
                Kept("names of members that the firm confirmed"),
            ),
        ],
    },
    Held {
        table: "outgoing_payments",
        theirs: "acquisition_id IN (SELECT id FROM acquisitions WHERE person_id = $1) OR cost_id IN (SELECT id FROM costs WHERE person_id = $1)",
        addresses: &[("/v1/outgoing-payments/", "id")],
        texts: &[("notes", NULL)],
    },
    Held {
        table: "owner_notifications",
        theirs: "asking_price_id IN (SELECT p.id FROM asking_prices p JOIN acquisitions a ON a.stock_no = p.stock_no WHERE a.person_id = $1)",
        addresses: &[("/v1/owner-notices/", "asking_price_id")],
        texts: &[
            ("method", NULL),
            (
                "notified_by",
                Kept("the member of the firm who notified the owner"),
            ),
        ],
    },
    Held {
        table: "payments",
        theirs: OF_SALE,
        addresses: &[("/v1/payments/", "id")],
        texts: &[("method", METHOD), ("notes", NULL)],
    },
    Held {
        table: "payouts",
        theirs: "sale_id IN (SELECT s.id FROM sales s JOIN acquisitions a ON a.stock_no = s.stock_no WHERE a.person_id = $1)",
        addresses: &[("/v1/payouts/", "id")],
        texts: &[("method", METHOD), ("notes", NULL)],
    },
    Held {
        table: "persons",
        theirs: "id = $1",
        addresses: &[("/v1/persons/", "id")],
        texts: &[
            ("name", ErasedOutsideOfTheBooks("'erased'")),
            ("email", NULL),
            ("telephone", NULL),
            ("address", ErasedOutsideOfTheBooks("NULL")),
        ],
    },
    Held {
        table: "promises",
        theirs: OF_PERSON,
        addresses: &[("/v1/promises/", "id")],
        texts: &[("description", NULL), ("reason", NULL)],
    },
    Held {
        table: "reservations",
        theirs: OF_PERSON,
        addresses: &[("/v1/reservations/", "id")],
        texts: &[("notes", NULL), ("reason", NULL)],
    },
    Held {
        table: "returns",
        theirs: OF_SALE,
        addresses: &[("/v1/returns/", "id")],
        texts: &[("notes", NULL)],
    },
    Held {
        table: "sales",
        theirs: OF_PERSON,
        addresses: &[("/v1/sales/", "id")],
        texts: &[
            ("notes", NULL),
            (
                "confirmed",
                Kept("names of members that the firm confirmed"),
            ),
        ],
    },
    Held {
        table: "support_notes",
        theirs: OF_SALE,
        addresses: &[("/v1/support-notes/", "id")],
        texts: &[
            ("message", WORD),
            (
                "answered",
                Erased("CASE WHEN answered IS NOT NULL THEN 'erased' END"),
            ),
        ],
    },
];

/// Texts about engines, the firm, its people and inspectors, law and comparable sales, by table. None is about a
/// person on record.
pub const OF_NO_PERSON: &[(&str, &str)] = &[
    ("accounts", "account number name"),
    ("buying_valuations", "engine basis answer money"),
    ("as_it_stands_prices", "reason"),
    ("asking_prices", "reason confirmed"),
    ("back_tests", "sales"),
    (
        "boiler_code_rules",
        "rule material band unit effect source mark notes accepts",
    ),
    ("boiler_codes", "jurisdiction name"),
    ("boiler_installations", "installed_at removed_at"),
    (
        "boiler_pressure_changes",
        "at working_pressure reason confirmed",
    ),
    (
        "boilers",
        "number maker material working_pressure volume conformity_evidence notes gas_tank_volume confirmed",
    ),
    (
        "certificates",
        "number issuer boiler_number covers confirmed",
    ),
    (
        "comparables",
        "source kind gauge description whyte fuel weight build_quality builder_standing working_order boiler \
        fittings_and_feeds cylinders_and_valves motion wheels_and_axleboxes frames platework_and_paint completeness boiler_material \
        included_items withdrawal_reason",
    ),
    ("days_off", "notes"),
    ("disposals", "notes"),
    (
        "engines",
        "name prototype design designer builder builder_standing gauge prototype_gauge scale whyte bore stroke \
        driving_wheel_diameter weight adhesive_weight length width height rigid_wheelbase side_play stated_tractive_effort fuel feeds \
        included_items working_order place notes confirmed",
    ),
    ("exchange_rates", "worth source"),
    (
        "firm",
        "name currency time_zone jurisdiction page_url address vat_number languages",
    ),
    ("price_models", "inputs_sha256 learned outliers"),
    ("fitters", "name skills"),
    ("price_scales", "uncertainty notes starts factors"),
    ("owner_notes", "notes"),
    ("hour_rates", "fitter"),
    // Responses about a person are emptied by their addresses.
    (
        "idempotency_keys",
        "idempotency_key target body_sha256 location answer",
    ),
    ("imports", "file_sha256"),
    ("inspector_visits", "notes"),
    ("job_grades", "area grade"),
    ("job_hours", "fitter confirmed"),
    ("job_parts", "description"),
    (
        "jobs",
        "title touches finished_at notes working_order_after skill chased_by",
    ),
    // Ids, days, amounts and values of closed lists; it cannot be changed.
    ("journal", "type data"),
    ("keys", "name person secret_sha256"),
    (
        "listings",
        "title description page_name withdrawal_reason translations",
    ),
    ("photograph_sizes", "file"),
    ("photographs", "alt"),
    ("plans", "answer"),
    ("checklist_items", "item description"),
    ("preparation_ticks", "item done_by"),
    // Sheets not opened yet; every erasure deletes all of them.
    ("prints", "secret_sha256 html"),
    ("public_answers", "digest"),
    ("gate_settings", "blocking_warnings"),
    ("statutory_periods", "jurisdiction rule unit source mark"),
    ("sales_learned", "sha256 sale"),
    ("closing_stock_lines", "price_from used"),
    ("survey_grades", "area grade"),
    ("surveys", "surveyor notes asbestos"),
    (
        "tax_position_changes",
        "from_position to_position reason changed_by",
    ),
    ("tax_rules", "jurisdiction rule unit source mark notes"),
    ("test_costs", "test"),
    (
        "tests",
        "test at pressure highest_pressure boiler_number inspector notes jurisdiction confirmed",
    ),
    ("valuations", "basis answer"),
    ("webhook_calls", "last_error"),
    ("webhooks", "url types secret former_secret"),
];

/// All data about the person $1 as the tables have it: one row for each record, after ($2, $3) in order of table name
/// and id, at most $4 rows. Values are text as PostgreSQL writes them.
pub(super) static EVERYTHING: LazyLock<String> = LazyLock::new(|| {
    let records: Vec<String> = HELD
        .iter()
        .map(|held| {
            let Held { table, theirs, .. } = held;
            let id = held.addresses.first().map_or("id", |(_, id)| id);
            format!(r#"SELECT '{table}' COLLATE "C" AS of_table, {id} AS id, to_jsonb(t) AS record FROM {table} t WHERE {theirs}"#)
        })
        .collect();
    format!(
        r#"SELECT of_table, id, (SELECT jsonb_object_agg(key, value) FROM jsonb_each_text(record)) AS record
        FROM ({}) records WHERE (of_table, id) > ($2 COLLATE "C", $3) ORDER BY of_table, id LIMIT $4"#,
        records.join("\nUNION ALL ")
    )
});

/// Erases the texts about the person $1; $2: the books name the person. One statement, so that every part selects the
/// records as they were before any part changed them. Sheets not opened yet are deleted.
pub(super) static FORGET: LazyLock<String> = LazyLock::new(|| {
    let parts: Vec<String> = HELD
        .iter()
        .filter_map(
            |Held {
                 table,
                 theirs,
                 texts,
                 ..
             }| {
                let set: Vec<String> = texts
                    .iter()
                    .filter_map(|(column, fate)| match fate {
                        Erased(becomes) => Some(format!("{column} = {becomes}")),
                        ErasedOutsideOfTheBooks(becomes) => Some(format!(
                            "{column} = CASE WHEN $2 THEN {column} ELSE {becomes} END"
                        )),
                        Kept(_) => None,
                    })
                    .collect();
                (!set.is_empty()).then(|| {
                    format!(
                        "of_{table} AS (UPDATE {table} SET {} WHERE {theirs})",
                        set.join(", ")
                    )
                })
            },
        )
        .collect();
    format!("WITH {} DELETE FROM prints", parts.join(",\n"))
});

/// Empties the stored responses to requests about a record of the person $1.
pub(super) static PURGE: LazyLock<String> = LazyLock::new(|| {
    let addresses: Vec<String> = HELD
        .iter()
        .flat_map(
            |Held {
                 table,
                 theirs,
                 addresses,
                 ..
             }| {
                addresses.iter().map(move |(beginning, column)| {
                    format!("SELECT '{beginning}' || {column} FROM {table} WHERE {theirs}")
                })
            },
        )
        .collect();
    format!(
        "UPDATE idempotency_keys SET answer = NULL WHERE location IN ({})",
        addresses.join("\nUNION ALL ")
    )
});
