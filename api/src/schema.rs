//! The tables as the migrations leave them. Generated; see DEVELOPERS.md.

diesel::table! {
    /// The firm's own account numbers and names; an account without a row has neither.
    accounts (account) {
        account -> Text,
        number -> Nullable<Text>,
        name -> Nullable<Text>,
    }
}

diesel::table! {
    /// How the firm acquired each engine.
    acquisitions (id) {
        id -> Int8,
        stock_no -> Int4,
        method -> Text,
        on_day -> Date,
        /// Price paid, or allowance in part exchange; NULL for an engine on commission.
        price -> Nullable<Numeric>,
        person_id -> Nullable<Int8>,
        tax_position -> Text,
        /// Number of the seller's invoice; NULL: the firm wrote the invoice itself.
        invoice_no -> Nullable<Text>,
        /// The lowest price that the owner of a commission engine accepts.
        reserve -> Nullable<Numeric>,
        notes -> Nullable<Text>,
        /// Percentage of the price including tax; the commission is net of tax. NULL: no percentage was agreed.
        commission_percent -> Nullable<Numeric>,
        /// Net of tax; added to the percentage. NULL: no fixed sum was agreed.
        commission_fixed -> Nullable<Numeric>,
        /// The sale towards which the engine was taken in part exchange.
        sale_id -> Nullable<Int8>,
        /// The buying valuation that led to this acquisition.
        buying_valuation_id -> Nullable<Int8>,
        /// How an engine that was bought was paid for; NULL: not recorded, or nothing was paid.
        paid_by -> Nullable<Text>,
        /// Tax shown on the seller's invoice, included in the price; 0: none is shown.
        supplier_vat -> Numeric,
    }
}

diesel::table! {
    /// What engines would fetch unfinished, including tax; on a given day the latest one up to that day is used.
    as_it_stands_prices (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        price -> Numeric,
        /// How the price was arrived at.
        reason -> Text,
    }
}

diesel::table! {
    /// Asking prices set by the firm; the last row of an engine is in force.
    asking_prices (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        price -> Numeric,
        reason -> Nullable<Text>,
        valuation_id -> Nullable<Int8>,
        /// Members with values outside the usual limits that were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// The firm's own sales, each valued from the sales before it.
    back_tests (id) {
        id -> Int8,
        from_day -> Date,
        to_day -> Date,
        asked_on -> Date,
        /// Each sale with its valuation; NULL until it is calculated.
        sales -> Nullable<Jsonb>,
    }
}

diesel::table! {
    /// Test rules of boiler codes, each from a date; a rule is ended and another added, never edited.
    boiler_code_rules (id) {
        id -> Int8,
        code_id -> Int8,
        rule -> Text,
        /// NULL: any; the same goes for band and first_service_from.
        material -> Nullable<Text>,
        band -> Nullable<Text>,
        first_service_from -> Nullable<Date>,
        /// In the row's unit; NULL: the unit says it all.
        value -> Nullable<Numeric>,
        unit -> Text,
        effect -> Text,
        /// First day in force; NULL: from the beginning, as the source gives no date.
        valid_from -> Nullable<Date>,
        /// Last day in force, inclusive; NULL: no end.
        valid_until -> Nullable<Date>,
        source -> Text,
        /// How certain the rule is.
        mark -> Text,
        notes -> Nullable<Text>,
        /// For a rule accepts_tests_of, the jurisdiction whose tests count too; else NULL.
        accepts -> Nullable<Text>,
    }
}

diesel::table! {
    /// Named sets of test rules of a jurisdiction.
    boiler_codes (id) {
        id -> Int8,
        jurisdiction -> Text,
        name -> Text,
    }
}

diesel::table! {
    /// Which boiler was in which engine, and when.
    boiler_installations (id) {
        id -> Int8,
        boiler_id -> Int8,
        stock_no -> Int4,
        installed_on -> Date,
        /// NULL: still in the engine.
        removed_on -> Nullable<Date>,
        /// Time of day such as 15:00; matters when an installation and a job fall on the same day.
        installed_at -> Nullable<Text>,
        /// Time of day such as 15:00; matters when a removal and a job fall on the same day.
        removed_at -> Nullable<Text>,
    }
}

diesel::table! {
    /// Days on which a boiler's working pressure was changed; each change voids its certificates.
    boiler_pressure_changes (id) {
        id -> Int8,
        boiler_id -> Int8,
        on_day -> Date,
        /// Time of day such as 15:00; matters when a change and a test fall on the same day.
        at -> Nullable<Text>,
        working_pressure -> Text,
        reason -> Text,
        /// Members with values outside the usual limits that were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// Pressure vessels; certificates belong to the boiler, not to the engine.
    boilers (id) {
        id -> Int8,
        number -> Text,
        maker -> Nullable<Text>,
        material -> Text,
        /// As first recorded; later changes are in boiler_pressure_changes.
        working_pressure -> Text,
        /// Total internal volume, as written; NULL: not measured.
        volume -> Nullable<Text>,
        made_on -> Nullable<Date>,
        first_service_on -> Nullable<Date>,
        first_marketed_on -> Nullable<Date>,
        /// Evidence of past use or of conformity marking; NULL: none on record.
        conformity_evidence -> Nullable<Text>,
        /// Whether a gas tank is tested with it; NULL: not recorded.
        has_gas_tank -> Nullable<Bool>,
        notes -> Nullable<Text>,
        /// Total internal volume of the gas tank tested with the boiler; NULL: not recorded, or no tank.
        gas_tank_volume -> Nullable<Text>,
        /// Members with values outside the usual limits that were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// Valuations of engines that the firm does not own; never deleted.
    buying_valuations (id) {
        id -> Int8,
        on_day -> Date,
        /// The description as the request gave it.
        engine -> Jsonb,
        basis -> Text,
        price_scale_version -> Int4,
        /// NULL: only the price scale was used.
        price_model_id -> Nullable<Int8>,
        low -> Numeric,
        likely -> Numeric,
        high -> Numeric,
        /// Steps, comparables and warnings as the response gave them.
        answer -> Jsonb,
        /// The most to pay, as the response gave it; NULL: not requested.
        money -> Nullable<Jsonb>,
    }
}

diesel::table! {
    /// Certificates issued for tests, recorded exactly as written, even if they name another boiler.
    certificates (id) {
        id -> Int8,
        boiler_id -> Int8,
        test_id -> Int8,
        number -> Text,
        issuer -> Text,
        issued_on -> Date,
        /// The last day printed on the certificate; NULL: none is printed.
        stated_until -> Nullable<Date>,
        boiler_number -> Text,
        covers -> Nullable<Text>,
        /// Members with values outside the usual limits that were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// The firm's despatch checklist: what it prepares before an engine leaves. Each sale uses the items that match it.
    checklist_items (item) {
        item -> Text,
        description -> Text,
        /// NULL: engines of every kind.
        kind -> Nullable<Text>,
        /// true: only sales at a distance; false: only the others; NULL: both.
        at_distance -> Nullable<Bool>,
        /// true: only sales to another country; false: only the others; NULL: both.
        buyer_abroad -> Nullable<Bool>,
        /// true: the engine may not leave until it is ticked.
        shuts_gate -> Bool,
    }
}

diesel::table! {
    /// Recorded closing stocks, at most one a day; write-downs start from the last one.
    closing_stock (id) {
        id -> Int8,
        /// The stock at the end of this day.
        on_day -> Date,
        kept_on -> Date,
        /// Cost of selling one engine.
        selling_cost -> Numeric,
        /// Further cost of selling, in per cent of the price; NULL: none.
        selling_share_percent -> Nullable<Numeric>,
    }
}

diesel::table! {
    /// The engines of a closing stock.
    closing_stock_lines (closing_stock_id, stock_no) {
        closing_stock_id -> Int8,
        stock_no -> Int4,
        purchase -> Numeric,
        /// Expected price when finished; NULL: not known.
        price -> Nullable<Numeric>,
        price_from -> Nullable<Text>,
        cost_to_come -> Numeric,
        cost -> Numeric,
        /// NULL without a price.
        net_realisable_value -> Nullable<Numeric>,
        carrying_amount_before -> Numeric,
        write_down -> Numeric,
        reversal -> Numeric,
        carrying_amount -> Numeric,
        /// Expected price unfinished; NULL: not recorded.
        as_it_stands_price -> Nullable<Numeric>,
        /// Which of the two net realisable values was used: the better one; NULL without a price, and if only one was known.
        used -> Nullable<Text>,
        /// Without the cost of finishing; NULL without a price as it stands.
        net_realisable_value_as_it_stands -> Nullable<Numeric>,
    }
}

diesel::table! {
    /// Achieved sales, the firm's own or observed elsewhere. NULL: not known.
    comparables (id) {
        id -> Int8,
        on_day -> Date,
        price -> Numeric,
        source -> Text,
        kind -> Text,
        /// As entered, with its unit; so is the weight.
        gauge -> Nullable<Text>,
        gauge_mm -> Nullable<Numeric>,
        description -> Text,
        whyte -> Nullable<Text>,
        fuel -> Nullable<Text>,
        weight -> Nullable<Text>,
        build_quality -> Nullable<Text>,
        builder_standing -> Nullable<Text>,
        working_order -> Nullable<Text>,
        /// Condition grade; so are the seven columns after it.
        boiler -> Nullable<Text>,
        fittings_and_feeds -> Nullable<Text>,
        cylinders_and_valves -> Nullable<Text>,
        motion -> Nullable<Text>,
        wheels_and_axleboxes -> Nullable<Text>,
        frames -> Nullable<Text>,
        platework_and_paint -> Nullable<Text>,
        completeness -> Nullable<Text>,
        papers_months_left -> Nullable<Int4>,
        boiler_material -> Nullable<Text>,
        included_items -> Array<Text>,
        /// The engine, if the firm sold it.
        stock_no -> Nullable<Int4>,
        withdrawn_on -> Nullable<Date>,
        withdrawal_reason -> Nullable<Text>,
    }
}

diesel::table! {
    /// Repairs and replacements that buyers asked for after delivery.
    complaints (id) {
        id -> Int8,
        sale_id -> Int8,
        asked_on -> Date,
        description -> Text,
        /// Day on which the buyer got the engine back; NULL: still away.
        given_back_on -> Nullable<Date>,
    }
}

diesel::table! {
    /// Costs of engines other than purchase, hours and parts of jobs; a wrong line is reversed by another, never edited.
    costs (id) {
        id -> Int8,
        stock_no -> Int4,
        kind -> Text,
        on_day -> Date,
        /// Net of the supplier's tax.
        cost -> Numeric,
        supplier_vat -> Numeric,
        invoice_no -> Nullable<Text>,
        /// The supplier.
        person_id -> Nullable<Int8>,
        entered_by -> Text,
        notes -> Nullable<Text>,
        reverses_id -> Nullable<Int8>,
    }
}

diesel::table! {
    /// Last number used for a credit note. Each return locks the one row until it is stored, so that the numbers have no gaps.
    credit_notes (one) {
        one -> Bool,
        last_no -> Int4,
    }
}

diesel::table! {
    /// Days on which nobody works, or one fitter does not.
    days_off (id) {
        id -> Int8,
        /// NULL: the works are closed.
        fitter_id -> Nullable<Int8>,
        from_day -> Date,
        until_day -> Date,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// When and how sold engines left.
    deliveries (id) {
        id -> Int8,
        sale_id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        method -> Text,
        handed_to -> Text,
        items_handed_over -> Nullable<Text>,
        carrier -> Nullable<Text>,
        /// As the carrier wrote it.
        carrier_reference -> Nullable<Text>,
        /// Destination of an export, ISO 3166-1, two letters; NULL for all other deliveries.
        country -> Nullable<Text>,
    }
}

diesel::table! {
    /// Last number used for a deposit receipt. Each deposit locks the one row until it is stored, so that the numbers have no gaps.
    deposit_receipts (one) {
        one -> Bool,
        last_no -> Int4,
    }
}

diesel::table! {
    /// Deposits that were paid back in full.
    deposit_returns (id) {
        id -> Int8,
        deposit_id -> Int8,
        on_day -> Date,
        method -> Text,
        reason -> Nullable<Text>,
    }
}

diesel::table! {
    /// Money received for reservations. The firm owes it to the payer until it is set off at a sale or returned.
    deposits (id) {
        id -> Int8,
        reservation_id -> Int8,
        /// Number of the firm's receipt; numbered in sequence without gaps.
        receipt_no -> Int4,
        on_day -> Date,
        amount -> Numeric,
        method -> Text,
        notes_into_bank -> Bool,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// How engines left without a sale.
    disposals (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        method -> Text,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// One row for each physical machine that the firm has ever had.
    engines (stock_no) {
        /// Never reused.
        stock_no -> Int4,
        kind -> Text,
        name -> Text,
        prototype -> Nullable<Text>,
        design -> Nullable<Text>,
        designer -> Nullable<Text>,
        builder -> Nullable<Text>,
        builder_standing -> Nullable<Text>,
        built_year -> Nullable<Int4>,
        /// As written, with its unit, like all lengths and weights of this table.
        gauge -> Nullable<Text>,
        /// The gauge converted exactly, for filters.
        gauge_mm -> Nullable<Numeric>,
        /// Gauge of the full-size track, as written; a narrow-gauge scale is derived from it.
        prototype_gauge -> Nullable<Text>,
        /// As written, such as 1:8 or 3 in to the foot.
        scale -> Nullable<Text>,
        whyte -> Nullable<Text>,
        cylinders -> Nullable<Int4>,
        bore -> Nullable<Text>,
        stroke -> Nullable<Text>,
        driving_wheel_diameter -> Nullable<Text>,
        weight -> Nullable<Text>,
        adhesive_weight -> Nullable<Text>,
        length -> Nullable<Text>,
        width -> Nullable<Text>,
        height -> Nullable<Text>,
        rigid_wheelbase -> Nullable<Text>,
        /// Total side play of the rigid wheelbase.
        side_play -> Nullable<Text>,
        stated_tractive_effort -> Nullable<Text>,
        fuel -> Nullable<Text>,
        feeds -> Array<Text>,
        included_items -> Array<Text>,
        working_order -> Nullable<Text>,
        offered_as -> Text,
        /// false for an engine built without a boiler.
        has_boiler -> Bool,
        /// NULL: nobody has checked.
        asbestos_suspected -> Nullable<Bool>,
        place -> Nullable<Text>,
        notes -> Nullable<Text>,
        /// Number won at exhibitions.
        medals -> Nullable<Int4>,
        /// Whether drawings, bills and tests are on record from the start.
        full_record -> Nullable<Bool>,
        /// Members with values outside the usual limits that were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// Enquiries: about an engine, for an engine that is wanted, or both.
    enquiries (id) {
        id -> Int8,
        person_id -> Int8,
        key_id -> Int8,
        on_day -> Date,
        stock_no -> Nullable<Int4>,
        wanted_kind -> Nullable<Text>,
        /// As written; any of them will do. Empty: any gauge.
        wanted_gauges -> Array<Text>,
        wanted_scale -> Nullable<Text>,
        wanted_whyte -> Nullable<Text>,
        most_to_pay -> Nullable<Numeric>,
        message -> Nullable<Text>,
        /// The day on which to follow it up; NULL: none is set.
        follow_up_on -> Nullable<Date>,
        closed_on -> Nullable<Date>,
        closing_reason -> Nullable<Text>,
    }
}

diesel::table! {
    /// Value of one unit of a currency in the firm's currency, from a day until the next row of that currency.
    exchange_rates (id) {
        id -> Int8,
        currency -> Text,
        from_day -> Date,
        worth -> Text,
        source -> Text,
    }
}

diesel::table! {
    /// Sales of engines that go to another country; at most one row for a sale.
    exports (id) {
        id -> Int8,
        sale_id -> Int8,
        /// ISO 3166-1, two letters.
        destination -> Text,
        /// Who takes it there: the seller has control to the end, or the buyer collects.
        method -> Text,
        /// Day on which it left the firm's country; NULL: it has not left.
        left_on -> Nullable<Date>,
        /// Evidence that it left, such as a customs declaration or a waybill; NULL: none received.
        evidence -> Nullable<Text>,
        /// Day on which the firm received the evidence; NULL: none received.
        evidence_on -> Nullable<Date>,
        /// It was used in the firm's country before it left, so that late evidence does not recover the tax.
        used_before_leaving -> Bool,
    }
}

diesel::table! {
    /// Defects found; open until a job or a later survey clears them.
    findings (id) {
        id -> Int8,
        /// NULL: it comes from a buyer's complaint.
        survey_id -> Nullable<Int8>,
        stock_no -> Int4,
        /// NULL: the complaint does not say.
        area -> Nullable<Text>,
        severity -> Text,
        description -> Text,
        found_on -> Date,
        /// true: it may be published.
        released -> Bool,
        cleared_by_job_id -> Nullable<Int8>,
        cleared_by_survey_id -> Nullable<Int8>,
        cleared_on -> Nullable<Date>,
        /// The complaint that was open when the engine was returned; its text is the buyer's and is not published.
        complaint_id -> Nullable<Int8>,
    }
}

diesel::table! {
    /// The firm: one row.
    firm (one) {
        one -> Bool,
        name -> Text,
        /// ISO 4217 code of every amount in the database.
        currency -> Text,
        /// IANA name; all dates are dates in this zone.
        time_zone -> Text,
        /// The jurisdiction of the boiler codes and tax rules that apply.
        jurisdiction -> Text,
        /// RFC 6570 template of an engine's page on the shop site; NULL: there is no site.
        page_url -> Nullable<Text>,
        /// Hours that a reservation lasts if the request does not say.
        reservation_hours -> Int4,
        /// As printed on invoices; NULL: not given.
        address -> Nullable<Text>,
        /// As printed on invoices; NULL: not given, or not registered for VAT.
        vat_number -> Nullable<Text>,
        /// Paper size of printed sheets.
        paper_size -> Text,
        /// Id of the Atom feed; the ids of its entries are derived from it and never change.
        feed_id -> Uuid,
        /// BCP 47; the first is the language of titles and descriptions.
        languages -> Array<Text>,
        /// How many engines can be worked on at once.
        benches -> Int4,
        /// How many engines can be in steam at once.
        steaming_bays -> Int4,
    }
}

diesel::table! {
    /// Who works in the workshop, and when.
    fitters (id) {
        id -> Int8,
        /// Spelled as on booked hours.
        name -> Text,
        skills -> Array<Text>,
        /// Hours at the bench, Monday to Sunday.
        weekly_hours -> Array<Numeric>,
        /// Last day with the firm; NULL: no end known.
        until_day -> Nullable<Date>,
    }
}

diesel::table! {
    /// The firm's settings for its gates: one row.
    gate_settings (one) {
        one -> Bool,
        /// Checks for which a warning also shuts a gate; an unmet one always does.
        blocking_warnings -> Array<Text>,
        /// A certificate that expires within this many days gives a warning.
        warning_days -> Int4,
        /// Months, 1 to 12, in which an engine must be drained to travel.
        frost_months -> Array<Int4>,
    }
}

diesel::table! {
    /// Cost and recovery rate of a fitter's hour, from a day until the next row of that fitter.
    hour_rates (id) {
        id -> Int8,
        fitter -> Text,
        from_day -> Date,
        /// For the books; 0 for a proprietor's own hours.
        cost_rate -> Numeric,
        /// For the break-even price.
        recovery_rate -> Numeric,
    }
}

diesel::table! {
    /// Answers to POSTs with an Idempotency-Key, kept for 7 days.
    idempotency_keys (key_id, idempotency_key) {
        key_id -> Int8,
        idempotency_key -> Text,
        target -> Text,
        body_sha256 -> Bytea,
        location -> Text,
        /// NULL: the answer had a secret.
        answer -> Nullable<Text>,
        on_day -> Date,
    }
}

diesel::table! {
    /// Digests of imported files, so that a file sent twice is noticed.
    imports (file_sha256) {
        file_sha256 -> Bytea,
        on_day -> Date,
        n_rows -> Int4,
    }
}

diesel::table! {
    /// Days on which an inspector comes.
    inspector_visits (on_day) {
        on_day -> Date,
        /// How many tests they can see that day.
        tests -> Int4,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// The findings that a job clears when finished.
    job_findings (job_id, finding_id) {
        job_id -> Int8,
        finding_id -> Int8,
    }
}

diesel::table! {
    /// Condition grades once a job is finished.
    job_grades (job_id, area) {
        job_id -> Int8,
        area -> Text,
        grade -> Text,
    }
}

diesel::table! {
    /// Hours booked; a wrong line is reversed by another, never edited.
    job_hours (id) {
        id -> Int8,
        job_id -> Int8,
        on_day -> Date,
        fitter -> Text,
        hours -> Numeric,
        reverses_id -> Nullable<Int8>,
        /// Members with values outside the usual limits that were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// Jobs that must be finished before another starts.
    job_needs (job_id, needs_id) {
        job_id -> Int8,
        needs_id -> Int8,
    }
}

diesel::table! {
    /// Parts and materials used for jobs; a wrong line is reversed by another, never edited.
    job_parts (id) {
        id -> Int8,
        job_id -> Int8,
        on_day -> Date,
        description -> Text,
        /// Net of the supplier's tax.
        cost -> Numeric,
        reverses_id -> Nullable<Int8>,
    }
}

diesel::table! {
    /// Work on engines.
    jobs (id) {
        id -> Int8,
        stock_no -> Int4,
        title -> Text,
        status -> Text,
        touches -> Array<Text>,
        gauge_glass_only -> Bool,
        hours_agreed -> Nullable<Numeric>,
        /// Cost of outside work, net of tax.
        outside_work -> Nullable<Numeric>,
        proposed_on -> Date,
        agreed_on -> Nullable<Date>,
        started_on -> Nullable<Date>,
        finished_on -> Nullable<Date>,
        /// Time of day such as 15:00; matters when a job and a test fall on the same day.
        finished_at -> Nullable<Text>,
        called_off_on -> Nullable<Date>,
        notes -> Nullable<Text>,
        /// Working order once the job is finished; NULL: unchanged.
        working_order_after -> Nullable<Text>,
        /// When the part on order or the outside work is expected; NULL: the job waits for neither, or no day is known.
        expected_on -> Nullable<Date>,
        /// NULL: any fitter can do it.
        skill -> Nullable<Text>,
        /// The assigned fitter; NULL: anyone with the skill and the hours.
        fitter_id -> Nullable<Int8>,
        /// The place that the engine takes up meanwhile; NULL: no room in the workshop.
        work_place -> Nullable<Text>,
        /// Days away for outside work; NULL: done in the workshop.
        days_away -> Nullable<Int4>,
        /// Expected cost of all its parts, net of tax.
        parts_expected -> Nullable<Numeric>,
        /// Who is chasing the part or the outside work; NULL: nobody.
        chased_by -> Nullable<Text>,
        /// The boiler that the finished job was on; later moves of boilers do not change it. NULL: none recorded, or not finished.
        boiler_id -> Nullable<Int8>,
    }
}

diesel::table! {
    /// Everything that happened, append-only, written in the transaction of the change.
    journal (id) {
        id -> Int8,
        /// Number without gaps, given after commit by one sequencer; NULL until then.
        entry_no -> Nullable<Int8>,
        #[sql_name = "type"]
        type_ -> Text,
        at -> Timestamptz,
        /// The firm's date of the entry.
        on_day -> Date,
        /// The key that acted; NULL: the service itself.
        key_id -> Nullable<Int8>,
        /// The engine concerned; NULL: none.
        stock_no -> Nullable<Int4>,
        /// Ids and figures; never names or addresses of persons.
        data -> Jsonb,
        /// PostgreSQL's id of the transaction that wrote it, to find what was committed since a snapshot. Dump and restore do not keep it.
        transaction_no -> Int8,
    }
}

diesel::table! {
    /// The id of the journal. It changes when a backup is restored, so that readers start again.
    journal_identity (one) {
        one -> Bool,
        journal_id -> Uuid,
    }
}

diesel::table! {
    /// API keys and their roles, without the secrets.
    keys (id) {
        id -> Int8,
        name -> Text,
        role -> Text,
        person -> Text,
        secret_sha256 -> Bytea,
        /// The last day on which the key works; NULL: it does not expire.
        expires_on -> Nullable<Date>,
        revoked -> Bool,
        last_used_on -> Nullable<Date>,
        /// When the key stops working after a rotation; NULL: it has not been rotated.
        ends_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    /// What the public sees of an engine.
    listings (stock_no) {
        stock_no -> Int4,
        status -> Text,
        title -> Text,
        description -> Text,
        /// Last part of the address of the engine's page on a shop site.
        page_name -> Text,
        price_on_request -> Bool,
        /// Day on which it was last published; NULL: not published now.
        on_show_since -> Nullable<Date>,
        /// Day on which it was last withdrawn; NULL: not withdrawn now.
        withdrawn_on -> Nullable<Date>,
        /// For the firm only; never public.
        withdrawal_reason -> Nullable<Text>,
        /// Title and description in the firm's other languages: [{language, title, description}].
        translations -> Jsonb,
    }
}

diesel::table! {
    /// Days of the firm that have been processed, each once: the transaction that adds the row of a day writes its entries.
    midnights (on_day) {
        on_day -> Date,
        /// Number of engines with a gate that the day changed.
        n_changed -> Int4,
    }
}

diesel::table! {
    /// Answers to offers; the last one counts.
    offer_answers (id) {
        id -> Int8,
        offer_id -> Int8,
        answer -> Text,
        on_day -> Date,
        /// The price that the firm would accept instead; NULL unless the answer is a counter-offer.
        amount -> Nullable<Numeric>,
    }
}

diesel::table! {
    /// What someone would pay for an engine.
    offers (id) {
        id -> Int8,
        stock_no -> Int4,
        person_id -> Int8,
        on_day -> Date,
        amount -> Numeric,
        /// Last day on which the offer is valid; NULL: no end was given.
        until_day -> Nullable<Date>,
        notes -> Nullable<Text>,
        /// Members with values outside the usual limits that were confirmed.
        confirmed -> Array<Text>,
        /// The sale to someone else that ended the offer; NULL: none did. Kept when that sale is cancelled.
        ended_by_sale_id -> Nullable<Int8>,
    }
}

diesel::table! {
    /// Money paid to sellers of engines and to suppliers.
    outgoing_payments (id) {
        id -> Int8,
        /// The purchase that this payment is for; NULL: for something else.
        acquisition_id -> Nullable<Int8>,
        /// The cost that this payment is for; NULL: for something else.
        cost_id -> Nullable<Int8>,
        /// The parts of a job that this payment is for; NULL: for something else.
        parts_id -> Nullable<Int8>,
        on_day -> Date,
        /// Below 0: money that came back.
        amount -> Numeric,
        method -> Text,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// The firm's own notes for new owners of engines.
    owner_notes (id) {
        id -> Int8,
        topic -> Text,
        /// NULL: for engines of every kind.
        kind -> Nullable<Text>,
        /// NULL: for engines with any fuel.
        fuel -> Nullable<Text>,
        notes -> Text,
    }
}

diesel::table! {
    /// Price changes of engines on commission that their owners were notified of.
    owner_notifications (asking_price_id) {
        asking_price_id -> Int8,
        notified_on -> Date,
        method -> Nullable<Text>,
        notified_by -> Text,
    }
}

diesel::table! {
    /// Money received for sales; a negative amount was paid back.
    payments (id) {
        id -> Int8,
        sale_id -> Int8,
        on_day -> Date,
        amount -> Numeric,
        method -> Text,
        notes -> Nullable<Text>,
        /// The part-exchange acquisition with the allowance that is set off; NULL: paid in money.
        acquisition_id -> Nullable<Int8>,
        /// The payer paid banknotes into the firm's bank account, which the cash rule counts as cash.
        notes_into_bank -> Bool,
        /// The deposit that is set off; NULL: no deposit.
        deposit_id -> Nullable<Int8>,
    }
}

diesel::table! {
    /// Money paid to owners of engines sold on commission; a negative amount came back.
    payouts (id) {
        id -> Int8,
        sale_id -> Int8,
        on_day -> Date,
        amount -> Numeric,
        method -> Text,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// Sellers, owners and buyers, each recorded once and with as little as needed; never public.
    persons (id) {
        id -> Int8,
        name -> Text,
        email -> Nullable<Text>,
        telephone -> Nullable<Text>,
        address -> Nullable<Text>,
        /// Day of the erasure: what remains is the name and address that the law requires with a sale or a purchase, or else a placeholder; NULL: not erased.
        erased_on -> Nullable<Date>,
        /// Identifies the person in the list of erasures outside the database. Unlike ids of persons it is never used again after a restore.
        erasure_id -> Uuid,
    }
}

diesel::table! {
    /// The files of a photograph, one for each width.
    photograph_sizes (photograph_id, width) {
        photograph_id -> Int8,
        /// Pixels of the upright picture.
        width -> Int4,
        /// Pixels of the upright picture.
        height -> Int4,
        /// Name in the object store: SHA-256 of the content. Photographs may share a file.
        file -> Text,
    }
}

diesel::table! {
    /// Photographs of engines; the files are in the object store.
    photographs (id) {
        id -> Int8,
        stock_no -> Int4,
        /// Order among the engine's photographs; the lowest is the main one. Gaps are allowed.
        place -> Int4,
        /// Text for people who cannot see the image; NULL: none yet, and visitors are not shown the photograph.
        alt -> Nullable<Text>,
        /// true: visitors may see it while the engine is listed.
        public -> Bool,
        added_on -> Date,
    }
}

diesel::table! {
    /// Workshop plans as they were made; kept for ever, to compare with what happened.
    plans (id) {
        id -> Int8,
        made_on -> Date,
        from_day -> Date,
        until_day -> Date,
        answer -> Jsonb,
    }
}

diesel::table! {
    /// What was made ready before an engine leaves, when, and who ticked it.
    preparation_ticks (stock_no, item) {
        stock_no -> Int4,
        item -> Text,
        done_on -> Date,
        done_by -> Text,
    }
}

diesel::table! {
    /// Models fitted to achieved sales whenever they or the price scale changed; kept for ever, because valuations refer to them.
    price_models (id) {
        id -> Int8,
        on_day -> Date,
        /// SHA-256 of the sales, the price scale, the features and the fitting method.
        inputs_sha256 -> Bytea,
        price_scale_version -> Int4,
        n_sales -> Int4,
        /// Sales left out because the price scale has no price for them.
        n_not_priced -> Int4,
        /// The fitted parameters; NULL: there were too few sales.
        learned -> Nullable<Jsonb>,
        outliers -> Jsonb,
        /// The sales used, by day and price: with the column learned they restore the model.
        sale_ids -> Array<Int8>,
    }
}

diesel::table! {
    /// Versions of the firm's price scale; every version is kept for ever.
    price_scales (version) {
        version -> Int4,
        from_day -> Date,
        /// The firm expects four prices in five between likely / (1 + uncertainty) and likely x (1 + uncertainty).
        uncertainty -> Text,
        notes -> Nullable<Text>,
        /// Base prices as the proprietor entered them, without the millimetres calculated from them.
        starts -> Jsonb,
        factors -> Jsonb,
    }
}

diesel::table! {
    /// Sheets waiting to be opened once in a browser.
    prints (secret_sha256) {
        secret_sha256 -> Bytea,
        html -> Text,
        until_at -> Timestamptz,
    }
}

diesel::table! {
    /// Dates promised to customers. The day promised for a sold engine to leave is kept with its sale, not here.
    promises (id) {
        id -> Int8,
        stock_no -> Int4,
        person_id -> Int8,
        given_on -> Date,
        kind -> Text,
        description -> Nullable<Text>,
        on_day -> Date,
        /// NULL: open.
        ended -> Nullable<Text>,
        ended_on -> Nullable<Date>,
        reason -> Nullable<Text>,
    }
}

diesel::table! {
    /// Listed engines, as the journal last reported them to visitors.
    public_answers (stock_no) {
        stock_no -> Int4,
        /// SHA-256 of the public listing without its date.
        digest -> Bytea,
    }
}

diesel::table! {
    /// Engines reserved for someone, and the queue for each in order of id.
    reservations (id) {
        id -> Int8,
        stock_no -> Int4,
        person_id -> Int8,
        /// The key that made the reservation.
        key_id -> Int8,
        asked_at -> Timestamptz,
        /// How many hours it lasts from the time at which it becomes live.
        hours -> Int4,
        /// When it became live; NULL: still in the queue.
        held_from -> Nullable<Timestamptz>,
        /// When it lapses, even if the row does not say so yet.
        until_at -> Nullable<Timestamptz>,
        deposit_due -> Nullable<Numeric>,
        notes -> Nullable<Text>,
        /// NULL: live, expired but not yet marked as lapsed, or in the queue.
        ended -> Nullable<Text>,
        ended_at -> Nullable<Timestamptz>,
        /// Why it was released.
        reason -> Nullable<Text>,
        sale_id -> Nullable<Int8>,
        /// Since when the person should be notified that their turn has come, or that it will not; NULL: nothing to notify.
        notify_since -> Nullable<Timestamptz>,
        notified_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    /// How sales were cancelled: the engine came back, or it never left.
    returns (id) {
        id -> Int8,
        sale_id -> Int8,
        /// The delivery of the engine that came back; NULL: the sale was cancelled before the engine left.
        delivery_id -> Nullable<Int8>,
        on_day -> Date,
        reason -> Text,
        /// What the buyer had paid by then; less the refund, this is what the firm keeps.
        paid -> Numeric,
        /// Refund agreed.
        refund -> Numeric,
        /// Number of the firm's credit note; numbered in sequence without gaps.
        credit_note_no -> Int4,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// Sales. An engine has only one sale that is not cancelled.
    sales (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        price -> Numeric,
        person_id -> Int8,
        buyer_abroad -> Bool,
        at_distance -> Bool,
        /// Day on which the buyer acknowledged in writing that the engine is sold without papers or for restoration.
        papers_acknowledged_on -> Nullable<Date>,
        notes -> Nullable<Text>,
        /// The day by which the firm promised the buyer that the engine would leave. NULL: none was promised.
        promised_on -> Nullable<Date>,
        /// Number of the firm's invoice for the sale; numbered in sequence without gaps.
        invoice_no -> Int4,
        /// Day on which the owner of a commission engine agreed in writing to a price below the reserve. NULL: no consent recorded.
        owner_agreed_on -> Nullable<Date>,
        /// The sale is cancelled from the end of this day; NULL: not cancelled. The same day as in returns.
        sale_cancelled_on -> Nullable<Date>,
        /// Consumer law applies to the sale.
        buyer_is_consumer -> Bool,
        /// Members with values outside the usual limits that were confirmed.
        confirmed -> Array<Text>,
        /// Day on which the buyer of a distance sale was informed of the right to cancel; NULL: never.
        informed_of_cancellation_on -> Nullable<Date>,
        /// Day on which the buyer of a distance sale sent the notice of cancellation; NULL: not cancelled.
        cancelled_on -> Nullable<Date>,
        /// The firm offered to collect the engine from the buyer who cancelled.
        collection_offered -> Bool,
        /// Day on which the buyer proved that they had sent the engine back; NULL: not proved.
        proof_of_sending_on -> Nullable<Date>,
        /// Day on which the firm agreed to refund a buyer who rejects the engine; NULL: not agreed.
        refund_agreed_on -> Nullable<Date>,
        /// Day of an event before the sale that changed the engine's value, such as damage: the price is no evidence of its value before that day. NULL: none.
        value_changed_on -> Nullable<Date>,
    }
}

diesel::table! {
    /// Last number used for a sales invoice. Each sale locks the one row until it is stored, so that the numbers have no gaps.
    sales_invoices (one) {
        one -> Bool,
        last_no -> Int4,
    }
}

diesel::table! {
    /// Sales as price models used them. Each form of a sale is stored once and kept for ever.
    sales_learned (id) {
        id -> Int8,
        /// SHA-256 of the column sale as it was written.
        sha256 -> Bytea,
        sale -> Jsonb,
    }
}

diesel::table! {
    /// Statutory time limits of a sale, each from a date; a row is ended and another added, never edited.
    statutory_periods (id) {
        id -> Int8,
        jurisdiction -> Text,
        rule -> Text,
        value -> Int4,
        unit -> Text,
        /// First day of delivery that it applies to; NULL: all earlier ones too.
        valid_from -> Nullable<Date>,
        /// Last day, inclusive; NULL: no end.
        valid_until -> Nullable<Date>,
        source -> Text,
        /// How certain the rule is.
        mark -> Text,
    }
}

diesel::table! {
    /// The current status of each engine, derived from the other tables; nothing is stored.
    stock (stock_no) {
        stock_no -> Int4,
        status -> Text,
        asking_price -> Nullable<Numeric>,
        boiler_id -> Nullable<Int8>,
        listing -> Nullable<Text>,
        /// The asking price that visitors may see; NULL: not listed, no price set, or price on request.
        public_price -> Nullable<Numeric>,
        /// When the reservation of an engine in stock lapses: it is reserved only before that time. NULL: not reserved.
        reserved_until -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    /// Questions that buyers asked after a sale.
    support_notes (id) {
        id -> Int8,
        sale_id -> Int8,
        on_day -> Date,
        message -> Text,
        /// The answer; NULL: not answered yet.
        answered -> Nullable<Text>,
    }
}

diesel::table! {
    /// A condition grade for each area assessed; areas without a row were not assessed.
    survey_grades (survey_id, area) {
        survey_id -> Int8,
        area -> Text,
        grade -> Text,
    }
}

diesel::table! {
    /// Dated surveys of engines.
    surveys (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        surveyor -> Text,
        build_quality -> Nullable<Text>,
        notes -> Nullable<Text>,
        /// Asbestos found by the survey, or by a laboratory for it; NULL: not checked.
        asbestos -> Nullable<Text>,
    }
}

diesel::table! {
    /// Closed tax periods, one after the other; nothing may be dated on or before the last day of the last one.
    tax_periods (id) {
        id -> Int8,
        from_day -> Date,
        until_day -> Date,
        closed_on -> Date,
    }
}

diesel::table! {
    /// Changes to the tax position of acquisitions. The acquisition has the present position, its first change the original one.
    tax_position_changes (id) {
        id -> Int8,
        acquisition_id -> Int8,
        on_day -> Date,
        from_position -> Text,
        to_position -> Text,
        reason -> Text,
        changed_by -> Text,
    }
}

diesel::table! {
    /// Rules of tax and cash, each from a date; a rule is ended and another added, never edited.
    tax_rules (id) {
        id -> Int8,
        jurisdiction -> Text,
        rule -> Text,
        /// In the row's unit; NULL: the unit says it all.
        value -> Nullable<Numeric>,
        unit -> Text,
        /// First day in force; NULL: from the beginning, as the source gives no date.
        valid_from -> Nullable<Date>,
        /// Last day in force, inclusive; NULL: no end.
        valid_until -> Nullable<Date>,
        source -> Text,
        /// How certain the rule is.
        mark -> Text,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// A fitter's hours and the outside fee for each kind of test.
    test_costs (test) {
        test -> Text,
        hours -> Numeric,
        fee -> Numeric,
    }
}

diesel::table! {
    /// Tests of boilers with their readings; NULL means not recorded.
    tests (id) {
        id -> Int8,
        boiler_id -> Int8,
        test -> Text,
        on_day -> Date,
        /// Time of day such as 15:00; matters when a job and a test fall on the same day.
        at -> Nullable<Text>,
        pressure -> Nullable<Text>,
        hold_minutes -> Nullable<Int4>,
        highest_pressure -> Nullable<Text>,
        passed -> Nullable<Bool>,
        /// The boiler number as the tester read or wrote it.
        boiler_number -> Nullable<Text>,
        inspector -> Nullable<Text>,
        inspector_interest -> Nullable<Bool>,
        notes -> Nullable<Text>,
        /// The jurisdiction of the boiler code that the test followed.
        jurisdiction -> Text,
        /// Members with values outside the usual limits that were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// Every valuation made; kept for ever.
    valuations (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        basis -> Text,
        price_scale_version -> Int4,
        low -> Numeric,
        likely -> Numeric,
        high -> Numeric,
        /// Steps, missing facts and warnings as they were returned.
        answer -> Jsonb,
        /// NULL: only the price scale was used.
        price_model_id -> Nullable<Int8>,
        /// Shows whether the valuation was made before the sale was recorded.
        made_at -> Timestamptz,
    }
}

diesel::table! {
    /// Calls to webhooks and their results.
    webhook_calls (id) {
        id -> Int8,
        webhook_id -> Int8,
        /// NULL: a test call.
        entry_no -> Nullable<Int8>,
        outcome -> Text,
        attempts -> Int4,
        /// Time of the next attempt; moved ahead during an attempt, so that no other process makes it too.
        due_at -> Timestamptz,
        last_at -> Nullable<Timestamptz>,
        last_status -> Nullable<Int4>,
        /// Length of the last response in bytes; the response itself is not kept.
        last_length -> Nullable<Int8>,
        last_error -> Nullable<Text>,
    }
}

diesel::table! {
    /// Addresses that are notified of journal entries.
    webhooks (id) {
        id -> Int8,
        url -> Text,
        /// Entry types to send: full (engine.sold) or prefix (engine). Empty: all.
        types -> Array<Text>,
        status -> Text,
        switched_off_reason -> Nullable<Text>,
        /// whsec_ and 32 bytes in base64, which calls are signed with.
        secret -> Text,
        /// Also signs calls until former_until, after a rotation.
        former_secret -> Nullable<Text>,
        former_until -> Nullable<Timestamptz>,
        /// Last journal entry for which calls have been queued.
        queued_up_to -> Int8,
    }
}

diesel::joinable!(acquisitions -> buying_valuations (buying_valuation_id));
diesel::joinable!(acquisitions -> engines (stock_no));
diesel::joinable!(acquisitions -> persons (person_id));
diesel::joinable!(acquisitions -> sales (sale_id));
diesel::joinable!(as_it_stands_prices -> engines (stock_no));
diesel::joinable!(asking_prices -> engines (stock_no));
diesel::joinable!(asking_prices -> valuations (valuation_id));
diesel::joinable!(boiler_code_rules -> boiler_codes (code_id));
diesel::joinable!(boiler_installations -> boilers (boiler_id));
diesel::joinable!(boiler_installations -> engines (stock_no));
diesel::joinable!(boiler_pressure_changes -> boilers (boiler_id));
diesel::joinable!(buying_valuations -> price_models (price_model_id));
diesel::joinable!(buying_valuations -> price_scales (price_scale_version));
diesel::joinable!(certificates -> boilers (boiler_id));
diesel::joinable!(certificates -> tests (test_id));
diesel::joinable!(closing_stock_lines -> closing_stock (closing_stock_id));
diesel::joinable!(closing_stock_lines -> engines (stock_no));
diesel::joinable!(comparables -> engines (stock_no));
diesel::joinable!(complaints -> sales (sale_id));
diesel::joinable!(costs -> engines (stock_no));
diesel::joinable!(costs -> persons (person_id));
diesel::joinable!(days_off -> fitters (fitter_id));
diesel::joinable!(deliveries -> engines (stock_no));
diesel::joinable!(deliveries -> sales (sale_id));
diesel::joinable!(deposit_returns -> deposits (deposit_id));
diesel::joinable!(deposits -> reservations (reservation_id));
diesel::joinable!(disposals -> engines (stock_no));
diesel::joinable!(enquiries -> engines (stock_no));
diesel::joinable!(enquiries -> keys (key_id));
diesel::joinable!(enquiries -> persons (person_id));
diesel::joinable!(exports -> sales (sale_id));
diesel::joinable!(findings -> complaints (complaint_id));
diesel::joinable!(findings -> engines (stock_no));
diesel::joinable!(findings -> jobs (cleared_by_job_id));
diesel::joinable!(idempotency_keys -> keys (key_id));
diesel::joinable!(job_findings -> findings (finding_id));
diesel::joinable!(job_findings -> jobs (job_id));
diesel::joinable!(job_grades -> jobs (job_id));
diesel::joinable!(job_hours -> jobs (job_id));
diesel::joinable!(job_parts -> jobs (job_id));
diesel::joinable!(jobs -> boilers (boiler_id));
diesel::joinable!(jobs -> engines (stock_no));
diesel::joinable!(jobs -> fitters (fitter_id));
diesel::joinable!(journal -> keys (key_id));
diesel::joinable!(listings -> engines (stock_no));
diesel::joinable!(offer_answers -> offers (offer_id));
diesel::joinable!(offers -> engines (stock_no));
diesel::joinable!(offers -> persons (person_id));
diesel::joinable!(offers -> sales (ended_by_sale_id));
diesel::joinable!(outgoing_payments -> acquisitions (acquisition_id));
diesel::joinable!(outgoing_payments -> costs (cost_id));
diesel::joinable!(outgoing_payments -> job_parts (parts_id));
diesel::joinable!(owner_notifications -> asking_prices (asking_price_id));
diesel::joinable!(payments -> acquisitions (acquisition_id));
diesel::joinable!(payments -> deposits (deposit_id));
diesel::joinable!(payments -> sales (sale_id));
diesel::joinable!(payouts -> sales (sale_id));
diesel::joinable!(photograph_sizes -> photographs (photograph_id));
diesel::joinable!(photographs -> engines (stock_no));
diesel::joinable!(preparation_ticks -> checklist_items (item));
diesel::joinable!(preparation_ticks -> engines (stock_no));
diesel::joinable!(price_models -> price_scales (price_scale_version));
diesel::joinable!(promises -> engines (stock_no));
diesel::joinable!(promises -> persons (person_id));
diesel::joinable!(public_answers -> engines (stock_no));
diesel::joinable!(reservations -> engines (stock_no));
diesel::joinable!(reservations -> keys (key_id));
diesel::joinable!(reservations -> persons (person_id));
diesel::joinable!(reservations -> sales (sale_id));
diesel::joinable!(returns -> deliveries (delivery_id));
diesel::joinable!(returns -> sales (sale_id));
diesel::joinable!(sales -> engines (stock_no));
diesel::joinable!(sales -> persons (person_id));
diesel::joinable!(support_notes -> sales (sale_id));
diesel::joinable!(survey_grades -> surveys (survey_id));
diesel::joinable!(surveys -> engines (stock_no));
diesel::joinable!(tax_position_changes -> acquisitions (acquisition_id));
diesel::joinable!(tests -> boilers (boiler_id));
diesel::joinable!(valuations -> engines (stock_no));
diesel::joinable!(valuations -> price_models (price_model_id));
diesel::joinable!(valuations -> price_scales (price_scale_version));
diesel::joinable!(webhook_calls -> webhooks (webhook_id));

diesel::allow_tables_to_appear_in_same_query!(acquisitions, buying_valuations);
diesel::allow_tables_to_appear_in_same_query!(acquisitions, engines);
diesel::allow_tables_to_appear_in_same_query!(acquisitions, outgoing_payments);
diesel::allow_tables_to_appear_in_same_query!(acquisitions, payments);
diesel::allow_tables_to_appear_in_same_query!(acquisitions, persons);
diesel::allow_tables_to_appear_in_same_query!(acquisitions, sales);
diesel::allow_tables_to_appear_in_same_query!(acquisitions, tax_position_changes);
diesel::allow_tables_to_appear_in_same_query!(as_it_stands_prices, engines);
diesel::allow_tables_to_appear_in_same_query!(asking_prices, engines);
diesel::allow_tables_to_appear_in_same_query!(asking_prices, owner_notifications);
diesel::allow_tables_to_appear_in_same_query!(asking_prices, valuations);
diesel::allow_tables_to_appear_in_same_query!(boiler_code_rules, boiler_codes);
diesel::allow_tables_to_appear_in_same_query!(boiler_installations, boilers);
diesel::allow_tables_to_appear_in_same_query!(boiler_installations, engines);
diesel::allow_tables_to_appear_in_same_query!(boiler_pressure_changes, boilers);
diesel::allow_tables_to_appear_in_same_query!(boilers, certificates);
diesel::allow_tables_to_appear_in_same_query!(boilers, jobs);
diesel::allow_tables_to_appear_in_same_query!(boilers, tests);
diesel::allow_tables_to_appear_in_same_query!(buying_valuations, price_models);
diesel::allow_tables_to_appear_in_same_query!(buying_valuations, price_scales);
diesel::allow_tables_to_appear_in_same_query!(certificates, tests);
diesel::allow_tables_to_appear_in_same_query!(checklist_items, preparation_ticks);
diesel::allow_tables_to_appear_in_same_query!(closing_stock, closing_stock_lines);
diesel::allow_tables_to_appear_in_same_query!(closing_stock_lines, engines);
diesel::allow_tables_to_appear_in_same_query!(comparables, engines);
diesel::allow_tables_to_appear_in_same_query!(complaints, findings);
diesel::allow_tables_to_appear_in_same_query!(complaints, sales);
diesel::allow_tables_to_appear_in_same_query!(costs, engines);
diesel::allow_tables_to_appear_in_same_query!(costs, outgoing_payments);
diesel::allow_tables_to_appear_in_same_query!(costs, persons);
diesel::allow_tables_to_appear_in_same_query!(days_off, fitters);
diesel::allow_tables_to_appear_in_same_query!(deliveries, engines);
diesel::allow_tables_to_appear_in_same_query!(deliveries, returns);
diesel::allow_tables_to_appear_in_same_query!(deliveries, sales);
diesel::allow_tables_to_appear_in_same_query!(deposit_returns, deposits);
diesel::allow_tables_to_appear_in_same_query!(deposit_returns, payments);
diesel::allow_tables_to_appear_in_same_query!(deposit_returns, reservations);
diesel::allow_tables_to_appear_in_same_query!(deposits, payments);
diesel::allow_tables_to_appear_in_same_query!(deposits, reservations);
diesel::allow_tables_to_appear_in_same_query!(disposals, engines);
diesel::allow_tables_to_appear_in_same_query!(engines, enquiries);
diesel::allow_tables_to_appear_in_same_query!(engines, findings);
diesel::allow_tables_to_appear_in_same_query!(engines, jobs);
diesel::allow_tables_to_appear_in_same_query!(engines, listings);
diesel::allow_tables_to_appear_in_same_query!(engines, offers);
diesel::allow_tables_to_appear_in_same_query!(engines, photographs);
diesel::allow_tables_to_appear_in_same_query!(engines, preparation_ticks);
diesel::allow_tables_to_appear_in_same_query!(engines, promises);
diesel::allow_tables_to_appear_in_same_query!(engines, public_answers);
diesel::allow_tables_to_appear_in_same_query!(engines, reservations);
diesel::allow_tables_to_appear_in_same_query!(engines, sales);
diesel::allow_tables_to_appear_in_same_query!(engines, stock);
diesel::allow_tables_to_appear_in_same_query!(engines, surveys);
diesel::allow_tables_to_appear_in_same_query!(engines, valuations);
diesel::allow_tables_to_appear_in_same_query!(enquiries, keys);
diesel::allow_tables_to_appear_in_same_query!(enquiries, persons);
diesel::allow_tables_to_appear_in_same_query!(exports, sales);
diesel::allow_tables_to_appear_in_same_query!(findings, job_findings);
diesel::allow_tables_to_appear_in_same_query!(findings, jobs);
diesel::allow_tables_to_appear_in_same_query!(firm, keys);
diesel::allow_tables_to_appear_in_same_query!(fitters, jobs);
diesel::allow_tables_to_appear_in_same_query!(idempotency_keys, keys);
diesel::allow_tables_to_appear_in_same_query!(job_findings, jobs);
diesel::allow_tables_to_appear_in_same_query!(job_grades, jobs);
diesel::allow_tables_to_appear_in_same_query!(job_hours, jobs);
diesel::allow_tables_to_appear_in_same_query!(job_parts, jobs);
diesel::allow_tables_to_appear_in_same_query!(job_parts, outgoing_payments);
diesel::allow_tables_to_appear_in_same_query!(journal, keys);
diesel::allow_tables_to_appear_in_same_query!(keys, reservations);
diesel::allow_tables_to_appear_in_same_query!(listings, stock);
diesel::allow_tables_to_appear_in_same_query!(offer_answers, offers);
diesel::allow_tables_to_appear_in_same_query!(offers, persons);
diesel::allow_tables_to_appear_in_same_query!(offers, sales);
diesel::allow_tables_to_appear_in_same_query!(payments, reservations);
diesel::allow_tables_to_appear_in_same_query!(payments, sales);
diesel::allow_tables_to_appear_in_same_query!(payouts, sales);
diesel::allow_tables_to_appear_in_same_query!(persons, promises);
diesel::allow_tables_to_appear_in_same_query!(persons, reservations);
diesel::allow_tables_to_appear_in_same_query!(persons, sales);
diesel::allow_tables_to_appear_in_same_query!(photograph_sizes, photographs);
diesel::allow_tables_to_appear_in_same_query!(price_models, price_scales);
diesel::allow_tables_to_appear_in_same_query!(price_models, valuations);
diesel::allow_tables_to_appear_in_same_query!(price_scales, valuations);
diesel::allow_tables_to_appear_in_same_query!(reservations, sales);
diesel::allow_tables_to_appear_in_same_query!(returns, sales);
diesel::allow_tables_to_appear_in_same_query!(sales, support_notes);
diesel::allow_tables_to_appear_in_same_query!(survey_grades, surveys);
diesel::allow_tables_to_appear_in_same_query!(webhook_calls, webhooks);
