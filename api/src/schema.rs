//! The tables as the migrations leave them. Generated; see DEVELOPERS.md.

diesel::table! {
    /// The firm's own numbers and names for what amounts are booked to; a missing row has neither.
    accounts (account) {
        account -> Text,
        number -> Nullable<Text>,
        name -> Nullable<Text>,
    }
}

diesel::table! {
    /// How each engine came.
    acquisitions (id) {
        id -> Int8,
        stock_no -> Int4,
        method -> Text,
        on_day -> Date,
        /// What was paid or allowed; NULL for an engine on commission.
        price -> Nullable<Numeric>,
        person_id -> Nullable<Int8>,
        tax_position -> Text,
        /// The seller's; NULL where the firm wrote the invoice itself.
        invoice_no -> Nullable<Text>,
        /// The least price that the owner of a commission engine takes.
        reserve -> Nullable<Numeric>,
        notes -> Nullable<Text>,
        /// Of the price with its tax; the commission is net of tax. NULL: no share was agreed.
        commission_percent -> Nullable<Numeric>,
        /// Net of tax; added to the share. NULL: no fixed sum was agreed.
        commission_fixed -> Nullable<Numeric>,
        /// The sale that an engine taken in part exchange pays into.
        sale_id -> Nullable<Int8>,
        /// The appraisal that became this acquisition.
        buying_valuation_id -> Nullable<Int8>,
        /// How an engine that was bought was paid for; NULL: not recorded, or nothing was paid.
        paid_by -> Nullable<Text>,
        /// Tax that the seller's invoice shows, within the price; 0: it shows none.
        supplier_vat -> Numeric,
    }
}

diesel::table! {
    /// What engines would fetch unfinished, tax included; the last one up to a day holds on it.
    as_it_stands_prices (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        price -> Numeric,
        /// What it rests on.
        reason -> Text,
    }
}

diesel::table! {
    /// What the firm decided to ask; the last row of an engine holds.
    asking_prices (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        price -> Numeric,
        reason -> Nullable<Text>,
        valuation_id -> Nullable<Int8>,
        /// Members whose values are outside the usual limits and were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// Valuations of the firm's own sales as they would have been, each from the sales before it.
    back_tests (id) {
        id -> Int8,
        from_day -> Date,
        to_day -> Date,
        asked_on -> Date,
        /// Each sale with its valuation; NULL until it is worked out.
        sales -> Nullable<Jsonb>,
    }
}

diesel::table! {
    /// The test rules of boiler codes, one dated row each; a row is ended and another added, never edited.
    boiler_code_rules (id) {
        id -> Int8,
        code_id -> Int8,
        rule -> Text,
        /// NULL: any; so are band and first_service_from.
        material -> Nullable<Text>,
        band -> Nullable<Text>,
        first_service_from -> Nullable<Date>,
        /// In the unit named; NULL where the unit says it all.
        value -> Nullable<Numeric>,
        unit -> Text,
        effect -> Text,
        /// First day; NULL: the source prints none, and the row also holds for older tests.
        valid_from -> Nullable<Date>,
        /// Last day, inclusive; NULL: in force.
        valid_until -> Nullable<Date>,
        source -> Text,
        /// How sure the row is.
        mark -> Text,
        notes -> Nullable<Text>,
        /// The place whose tests count too, in a row accepts_tests_of; else NULL.
        accepts -> Nullable<Text>,
    }
}

diesel::table! {
    /// Named sets of test rules of one jurisdiction.
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
        /// NULL: it is in there.
        removed_on -> Nullable<Date>,
        /// Time of day such as 15:00, where the order of a fitting and a job on one day matters.
        installed_at -> Nullable<Text>,
        /// Time of day such as 15:00, where the order of a removal and a job on one day matters.
        removed_at -> Nullable<Text>,
    }
}

diesel::table! {
    /// Days on which a boiler's working pressure was changed; each voids its papers.
    boiler_pressure_changes (id) {
        id -> Int8,
        boiler_id -> Int8,
        on_day -> Date,
        /// Time of day such as 15:00, where the order of a change and a test on one day matters.
        at -> Nullable<Text>,
        working_pressure -> Text,
        reason -> Text,
        /// Members whose values are outside the usual limits and were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// Pressure vessels; papers belong to the boiler, not to the engine.
    boilers (id) {
        id -> Int8,
        number -> Text,
        maker -> Nullable<Text>,
        material -> Text,
        /// As first recorded; later changes stand in boiler_pressure_changes.
        working_pressure -> Text,
        /// Whole internal volume as written; NULL: not measured.
        volume -> Nullable<Text>,
        made_on -> Nullable<Date>,
        first_service_on -> Nullable<Date>,
        first_marketed_on -> Nullable<Date>,
        /// What shows past use or conformity marking; NULL: nothing on record.
        conformity_evidence -> Nullable<Text>,
        /// Whether a gas tank is tested with it; NULL: not recorded.
        has_gas_tank -> Nullable<Bool>,
        notes -> Nullable<Text>,
        /// The whole inside of the gas tank that is tested with the boiler; NULL: not recorded, or no tank.
        gas_tank_volume -> Nullable<Text>,
        /// Members whose values are outside the usual limits and were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// What engines that are not the firm's would fetch, kept for ever.
    buying_valuations (id) {
        id -> Int8,
        on_day -> Date,
        /// The description, as it was told.
        engine -> Jsonb,
        basis -> Text,
        price_scale_version -> Int4,
        /// NULL: it rests on the price scale alone.
        price_model_id -> Nullable<Int8>,
        low -> Numeric,
        likely -> Numeric,
        high -> Numeric,
        /// Steps, comparables and warnings as they were answered.
        answer -> Jsonb,
        /// What may be paid, as it was answered; NULL: it was not asked.
        money -> Nullable<Jsonb>,
    }
}

diesel::table! {
    /// Papers issued on tests; kept as they are written, also where they name another boiler.
    certificates (id) {
        id -> Int8,
        boiler_id -> Int8,
        test_id -> Int8,
        number -> Text,
        issuer -> Text,
        issued_on -> Date,
        /// The expiry printed on the paper; NULL: none is printed.
        stated_until -> Nullable<Date>,
        boiler_number -> Text,
        covers -> Nullable<Text>,
        /// Members whose values are outside the usual limits and were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// What the firm makes ready before an engine leaves: one list for each sale follows from it.
    checklist_items (item) {
        item -> Text,
        description -> Text,
        /// NULL: for engines of every kind.
        kind -> Nullable<Text>,
        /// Asked of such sales alone; NULL: of all.
        at_distance -> Nullable<Bool>,
        /// Asked of such sales alone; NULL: of all.
        buyer_abroad -> Nullable<Bool>,
        /// The engine may not leave before it is ticked.
        shuts_gate -> Bool,
    }
}

diesel::table! {
    /// Values of the stock that were kept, one for a day; what was written down is counted from the last one.
    closing_stock (id) {
        id -> Int8,
        /// The stock at the end of this day.
        on_day -> Date,
        kept_on -> Date,
        /// Of one engine.
        selling_cost -> Numeric,
        /// Share of the price that selling costs; NULL: none.
        selling_share_percent -> Nullable<Numeric>,
    }
}

diesel::table! {
    /// Each engine of a kept value of the stock.
    closing_stock_lines (closing_stock_id, stock_no) {
        closing_stock_id -> Int8,
        stock_no -> Int4,
        purchase -> Numeric,
        /// What it was expected to fetch; NULL where nobody knew.
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
        /// What it would fetch unfinished; NULL: not told.
        as_it_stands_price -> Nullable<Numeric>,
        /// Which of the two net realisable values was used, the better one; NULL without a price, and where only one was known.
        used -> Nullable<Text>,
        /// As it stands: without what finishing costs; NULL: no such price.
        net_realisable_value_as_it_stands -> Nullable<Numeric>,
    }
}

diesel::table! {
    /// Achieved sales, own or observed elsewhere. NULL means not known.
    comparables (id) {
        id -> Int8,
        on_day -> Date,
        price -> Numeric,
        source -> Text,
        kind -> Text,
        /// As written, with its unit; so is the weight.
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
        /// The engine, where it was the firm's own.
        stock_no -> Nullable<Int4>,
        withdrawn_on -> Nullable<Date>,
        withdrawal_reason -> Nullable<Text>,
    }
}

diesel::table! {
    /// Repairs and replacements that buyers asked for after a delivery.
    complaints (id) {
        id -> Int8,
        sale_id -> Int8,
        asked_on -> Date,
        description -> Text,
        /// Day on which the buyer had the engine back; NULL while it is away.
        given_back_on -> Nullable<Date>,
    }
}

diesel::table! {
    /// What was spent on engines besides purchase, hours and parts of jobs; a wrong line is reversed by another, never edited.
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
    /// How far the firm's credit notes are numbered: one row, held by each return until it is stored, so that no number is left out.
    credit_notes (one) {
        one -> Bool,
        last_no -> Int4,
    }
}

diesel::table! {
    /// Days on which nobody works, or one fitter does not.
    days_off (id) {
        id -> Int8,
        /// NULL: the works are shut.
        fitter_id -> Nullable<Int8>,
        from_day -> Date,
        until_day -> Date,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// The days on which engines left.
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
        /// ISO 3166-1, two letters: where an export goes; NULL for all else.
        country -> Nullable<Text>,
    }
}

diesel::table! {
    /// How far the receipts for deposits are numbered: one row, held by each deposit until it is stored, so that no number is left out.
    deposit_receipts (one) {
        one -> Bool,
        last_no -> Int4,
    }
}

diesel::table! {
    /// Deposits that were paid back whole.
    deposit_returns (id) {
        id -> Int8,
        deposit_id -> Int8,
        on_day -> Date,
        method -> Text,
        reason -> Nullable<Text>,
    }
}

diesel::table! {
    /// Money received for reservations: owed to whom it came from until it is set off at a sale or returned.
    deposits (id) {
        id -> Int8,
        reservation_id -> Int8,
        /// Of the firm's receipt, in sequence without gaps.
        receipt_no -> Int4,
        on_day -> Date,
        amount -> Numeric,
        method -> Text,
        notes_into_bank -> Bool,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// How engines went without a sale.
    disposals (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        method -> Text,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// One row for each physical machine that was ever in the firm's hands.
    engines (stock_no) {
        /// Never repeats.
        stock_no -> Int4,
        kind -> Text,
        name -> Text,
        prototype -> Nullable<Text>,
        design -> Nullable<Text>,
        designer -> Nullable<Text>,
        builder -> Nullable<Text>,
        builder_standing -> Nullable<Text>,
        built_year -> Nullable<Int4>,
        /// As written, with its unit; so are all lengths and weights of this table.
        gauge -> Nullable<Text>,
        /// The gauge converted exactly, for filters.
        gauge_mm -> Nullable<Numeric>,
        /// Of the full-size track, as written; a narrow-gauge scale follows from it.
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
        /// Total, of the rigid wheelbase.
        side_play -> Nullable<Text>,
        stated_tractive_effort -> Nullable<Text>,
        fuel -> Nullable<Text>,
        feeds -> Array<Text>,
        included_items -> Array<Text>,
        working_order -> Nullable<Text>,
        offered_as -> Text,
        /// false for an engine that is made without one.
        has_boiler -> Bool,
        /// NULL: nobody has looked.
        asbestos_suspected -> Nullable<Bool>,
        place -> Nullable<Text>,
        notes -> Nullable<Text>,
        /// Won at exhibitions.
        medals -> Nullable<Int4>,
        /// Whether drawings, bills and tests are on record from the beginning.
        full_record -> Nullable<Bool>,
        /// Members whose values are outside the usual limits and were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// What somebody asked: about an engine, or for one that is wanted, or both.
    enquiries (id) {
        id -> Int8,
        person_id -> Int8,
        key_id -> Int8,
        on_day -> Date,
        stock_no -> Nullable<Int4>,
        wanted_kind -> Nullable<Text>,
        /// As they were written; any of them will do. Empty: any gauge.
        wanted_gauges -> Array<Text>,
        wanted_scale -> Nullable<Text>,
        wanted_whyte -> Nullable<Text>,
        most_to_pay -> Nullable<Numeric>,
        message -> Nullable<Text>,
        /// The day to come back to it; NULL: no day is set.
        follow_up_on -> Nullable<Date>,
        closed_on -> Nullable<Date>,
        closing_reason -> Nullable<Text>,
    }
}

diesel::table! {
    /// What one unit of a currency is worth in the firm's, from a day on until the next row of that currency.
    exchange_rates (id) {
        id -> Int8,
        currency -> Text,
        from_day -> Date,
        worth -> Text,
        source -> Text,
    }
}

diesel::table! {
    /// Engines that were sold to go to another country, one row for a sale.
    exports (id) {
        id -> Int8,
        sale_id -> Int8,
        /// ISO 3166-1, two letters.
        destination -> Text,
        /// Who takes it there: the seller has control to the end, or the buyer collects.
        method -> Text,
        /// Day on which it left the country of the firm; NULL: it has not.
        left_on -> Nullable<Date>,
        /// What shows that it left, such as a customs declaration or a waybill; NULL: none is held.
        evidence -> Nullable<Text>,
        /// Day on which the firm got it; NULL: none is held.
        evidence_on -> Nullable<Date>,
        /// It was used in the country of the firm before it left: late evidence takes no tax back.
        used_before_leaving -> Bool,
    }
}

diesel::table! {
    /// Faults seen; open until a job or a later survey clears them.
    findings (id) {
        id -> Int8,
        /// NULL: a complaint of the buyer, and no survey, says it.
        survey_id -> Nullable<Int8>,
        stock_no -> Int4,
        /// NULL: the complaint does not say.
        area -> Nullable<Text>,
        severity -> Text,
        description -> Text,
        found_on -> Date,
        /// true: the public may read it.
        released -> Bool,
        cleared_by_job_id -> Nullable<Int8>,
        cleared_by_survey_id -> Nullable<Int8>,
        cleared_on -> Nullable<Date>,
        /// The complaint that was open when the engine came back; its words are the buyer's and stay in the house.
        complaint_id -> Nullable<Int8>,
    }
}

diesel::table! {
    /// The firm itself: one row.
    firm (one) {
        one -> Bool,
        name -> Text,
        /// ISO 4217; every amount of the database is in it.
        currency -> Text,
        /// IANA name; every civil day is a day of this zone.
        time_zone -> Text,
        /// Whose boiler codes and tax rules hold.
        jurisdiction -> Text,
        /// RFC 6570 template of the page of an engine on the shop site; NULL without a site.
        page_url -> Nullable<Text>,
        /// How long a reservation holds when nobody says how long.
        reservation_hours -> Int4,
        /// As invoices show it; NULL: not told.
        address -> Nullable<Text>,
        /// As invoices show it; NULL: not told, or not registered.
        vat_number -> Nullable<Text>,
        /// On which sheets are printed.
        paper_size -> Text,
        /// Of the Atom feed; the ids of its entries follow from it and never change.
        feed_id -> Uuid,
        /// BCP 47; titles and words are written in the first.
        languages -> Array<Text>,
        /// How many engines can be worked at at once.
        benches -> Int4,
        /// How many engines can be in steam at once.
        steaming_bays -> Int4,
    }
}

diesel::table! {
    /// Who works in the shop, and when.
    fitters (id) {
        id -> Int8,
        /// Written as on the hours that are booked.
        name -> Text,
        skills -> Array<Text>,
        /// From Monday to Sunday.
        weekly_hours -> Array<Numeric>,
        /// The last day; NULL: no end is known.
        until_day -> Nullable<Date>,
    }
}

diesel::table! {
    /// What the firm sets for its own gates: one row.
    gate_settings (one) {
        one -> Bool,
        /// Checks whose watch shuts a gate too; an unmet one always does.
        blocking_warnings -> Array<Text>,
        /// A paper that lapses within so many days is watched.
        warning_days -> Int4,
        /// Months, 1 to 12, in which an engine travels drained.
        frost_months -> Array<Int4>,
    }
}

diesel::table! {
    /// What an hour of a fitter costs and is worth, from a day on until the next row of that fitter.
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
    /// Answers to POSTs that named an Idempotency-Key, kept for 7 days.
    idempotency_keys (key_id, idempotency_key) {
        key_id -> Int8,
        idempotency_key -> Text,
        target -> Text,
        body_sha256 -> Bytea,
        location -> Text,
        /// NULL when the answer showed a secret.
        answer -> Nullable<Text>,
        on_day -> Date,
    }
}

diesel::table! {
    /// Files that were imported, by the digest of their bytes: the same file sent twice is told.
    imports (file_sha256) {
        file_sha256 -> Bytea,
        on_day -> Date,
        n_rows -> Int4,
    }
}

diesel::table! {
    /// Days on which the inspector comes.
    inspector_visits (on_day) {
        on_day -> Date,
        /// How many tests he sees on it.
        tests -> Int4,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// The findings that a job is to clear when it is finished.
    job_findings (job_id, finding_id) {
        job_id -> Int8,
        finding_id -> Int8,
    }
}

diesel::table! {
    /// The condition grades that a job is to bring about.
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
        /// Members whose values are outside the usual limits and were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// Jobs that have to be finished before another is begun.
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
        /// What others are to be paid.
        outside_work -> Nullable<Numeric>,
        proposed_on -> Date,
        agreed_on -> Nullable<Date>,
        started_on -> Nullable<Date>,
        finished_on -> Nullable<Date>,
        /// Time of day written like 15:00, where the order of a job and a test on one day matters.
        finished_at -> Nullable<Text>,
        called_off_on -> Nullable<Date>,
        notes -> Nullable<Text>,
        /// The working order that the job is to bring about; NULL: it leaves it as it is.
        working_order_after -> Nullable<Text>,
        /// When the part on order, or the work by others, that the job waits for is expected; NULL: it waits for nothing, or nobody said.
        expected_on -> Nullable<Date>,
        /// NULL: any fitter can do it.
        skill -> Nullable<Text>,
        /// Who is to do it; NULL: whoever has the skill and the hours.
        fitter_id -> Nullable<Int8>,
        /// What the engine takes meanwhile; NULL: no room of the shop.
        work_place -> Nullable<Text>,
        /// How long others have it; NULL: it is done in the shop.
        days_away -> Nullable<Int4>,
        /// What its parts are expected to cost in all, net.
        parts_expected -> Nullable<Numeric>,
        /// Who asks after the part, or the work by others, that it waits for.
        chased_by -> Nullable<Text>,
        /// The boiler that the finished job touched; moving boilers later changes nothing of it. NULL: none on record, or not finished.
        boiler_id -> Nullable<Int8>,
    }
}

diesel::table! {
    /// Everything that happened, append-only, written in the transaction of the change.
    journal (id) {
        id -> Int8,
        /// Dense number given after commit by one sequencer; NULL until then.
        entry_no -> Nullable<Int8>,
        #[sql_name = "type"]
        type_ -> Text,
        at -> Timestamptz,
        /// The firm's day of the entry.
        on_day -> Date,
        /// NULL: nobody acted.
        key_id -> Nullable<Int8>,
        /// The engine that it is about; NULL when about none.
        stock_no -> Nullable<Int4>,
        /// Ids and figures; never names or addresses of persons.
        data -> Jsonb,
        /// PostgreSQL's id of the transaction that wrote it, for readers who ask what was committed since a snapshot. Not kept by dump and restore.
        transaction_no -> Int8,
    }
}

diesel::table! {
    /// Changes when a backup is restored, so that readers of the journal begin anew.
    journal_identity (one) {
        one -> Bool,
        journal_id -> Uuid,
    }
}

diesel::table! {
    /// Who may ask for what. The secret itself is not here.
    keys (id) {
        id -> Int8,
        name -> Text,
        role -> Text,
        person -> Text,
        secret_sha256 -> Bytea,
        /// The last day on which the key is taken; NULL: no end.
        expires_on -> Nullable<Date>,
        revoked -> Bool,
        last_used_on -> Nullable<Date>,
        /// When a key that another has taken the place of is taken no more.
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
        /// Day of the last publication; NULL while it is not on show.
        on_show_since -> Nullable<Date>,
        /// Day of the last withdrawal; NULL while it is not withdrawn.
        withdrawn_on -> Nullable<Date>,
        /// For the firm alone; never public.
        withdrawal_reason -> Nullable<Text>,
        /// Title and words in other languages of the firm: [{language, title, description}].
        translations -> Jsonb,
    }
}

diesel::table! {
    /// Days of the firm that have begun, each once: the entries of a day are written in the transaction that adds its row.
    midnights (on_day) {
        on_day -> Date,
        /// Engines whose answer at a gate the day changed.
        n_changed -> Int4,
    }
}

diesel::table! {
    /// What was answered to an offer; the last one counts.
    offer_answers (id) {
        id -> Int8,
        offer_id -> Int8,
        answer -> Text,
        on_day -> Date,
        /// What the firm would take in its place; NULL unless it countered.
        amount -> Nullable<Numeric>,
    }
}

diesel::table! {
    /// What somebody would pay for an engine.
    offers (id) {
        id -> Int8,
        stock_no -> Int4,
        person_id -> Int8,
        on_day -> Date,
        amount -> Numeric,
        /// The last day on which it holds; NULL: no end was said.
        until_day -> Nullable<Date>,
        notes -> Nullable<Text>,
        /// Members whose values are outside the usual limits and were confirmed.
        confirmed -> Array<Text>,
        /// The sale of the engine to somebody else that ended the offer; NULL: none did. It stays when that sale is undone.
        ended_by_sale_id -> Nullable<Int8>,
    }
}

diesel::table! {
    /// Money paid to the sellers of engines and to suppliers.
    outgoing_payments (id) {
        id -> Int8,
        /// The purchase that it pays; NULL: it pays something else.
        acquisition_id -> Nullable<Int8>,
        /// The cost that it pays; NULL: it pays something else.
        cost_id -> Nullable<Int8>,
        /// The parts of a job that it pays; NULL: it pays something else.
        parts_id -> Nullable<Int8>,
        on_day -> Date,
        /// Below 0 when it came back.
        amount -> Numeric,
        method -> Text,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// The firm's own notes for those who take an engine over.
    owner_notes (id) {
        id -> Int8,
        topic -> Text,
        /// NULL: for engines of every kind.
        kind -> Nullable<Text>,
        /// NULL: for engines fired with anything.
        fuel -> Nullable<Text>,
        notes -> Text,
    }
}

diesel::table! {
    /// Changes of asking prices of engines on commission that their owners were told of.
    owner_notifications (asking_price_id) {
        asking_price_id -> Int8,
        notified_on -> Date,
        method -> Nullable<Text>,
        notified_by -> Text,
    }
}

diesel::table! {
    /// Money received for sales; a negative amount is paid back.
    payments (id) {
        id -> Int8,
        sale_id -> Int8,
        on_day -> Date,
        amount -> Numeric,
        method -> Text,
        notes -> Nullable<Text>,
        /// The acquisition whose allowance is set off; NULL: paid in money.
        acquisition_id -> Nullable<Int8>,
        /// The payer paid notes into the firm's bank account: cash by the cash rule.
        notes_into_bank -> Bool,
        /// The deposit that is set off; NULL: no deposit.
        deposit_id -> Nullable<Int8>,
    }
}

diesel::table! {
    /// Money paid to the owners of engines sold on commission; a negative amount came back.
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
    /// Sellers, owners and buyers, once each, with the least that is needed; never public.
    persons (id) {
        id -> Int8,
        name -> Text,
        email -> Nullable<Text>,
        telephone -> Nullable<Text>,
        address -> Nullable<Text>,
        /// Day of the erasure: name and address are then those that the law wants beside a sale or a purchase, else the name is a placeholder; NULL: not erased.
        erased_on -> Nullable<Date>,
        /// Names the person in the list of erasures that lies outside of the database. Ids of persons are given again after a restore, these are not.
        erasure_id -> Uuid,
    }
}

diesel::table! {
    /// The files of a photograph, each smaller than the one before.
    photograph_sizes (photograph_id, width) {
        photograph_id -> Int8,
        /// Pixels, upright.
        width -> Int4,
        /// Pixels, upright.
        height -> Int4,
        /// Name in the object store: SHA-256 of the content. Two photographs may share a file.
        file -> Text,
    }
}

diesel::table! {
    /// Pictures of engines; the pixels lie in the object store.
    photographs (id) {
        id -> Int8,
        stock_no -> Int4,
        /// Orders the photographs of an engine; the lowest is the main picture. There may be gaps.
        place -> Int4,
        /// What it shows, for those who do not see it; NULL: not yet described, so no visitor is shown it.
        alt -> Nullable<Text>,
        /// true: visitors may see it while the engine is on show.
        public -> Bool,
        added_on -> Date,
    }
}

diesel::table! {
    /// Plans of the workshop, as they were made; kept for ever, to be held against what happened.
    plans (id) {
        id -> Int8,
        made_on -> Date,
        from_day -> Date,
        until_day -> Date,
        answer -> Jsonb,
    }
}

diesel::table! {
    /// What was made ready before an engine leaves, when and by whom.
    preparation_ticks (stock_no, item) {
        stock_no -> Int4,
        item -> Text,
        done_on -> Date,
        done_by -> Text,
    }
}

diesel::table! {
    /// What was learned from achieved sales, each time they or the price scale changed; kept for ever, as valuations rest on it.
    price_models (id) {
        id -> Int8,
        on_day -> Date,
        /// Of the sales, the price scale, the features and the way of learning.
        inputs_sha256 -> Bytea,
        price_scale_version -> Int4,
        n_sales -> Int4,
        /// Sales left out, as the price scale has no price for them.
        n_not_priced -> Int4,
        /// Hyperparameters and what belongs to them; NULL: the sales had become too few.
        learned -> Nullable<Jsonb>,
        outliers -> Jsonb,
        /// What was learned from, by day and price: with it and the column learned the fit is made again.
        sale_ids -> Array<Int8>,
    }
}

diesel::table! {
    /// Versions of the firm's own price scale, each kept for ever.
    price_scales (version) {
        version -> Int4,
        from_day -> Date,
        /// Four prices in five lie between likely / (1 + uncertainty) and likely x (1 + uncertainty).
        uncertainty -> Text,
        notes -> Nullable<Text>,
        /// As the proprietor wrote them, without the converted figures.
        starts -> Jsonb,
        factors -> Jsonb,
    }
}

diesel::table! {
    /// Sheets that wait to be opened once in a browser.
    prints (secret_sha256) {
        secret_sha256 -> Bytea,
        html -> Text,
        until_at -> Timestamptz,
    }
}

diesel::table! {
    /// Days given to somebody. The day on which a sold engine is to leave stands with its sale and not here.
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
    /// The engines on show, as visitors were last told of them in the journal.
    public_answers (stock_no) {
        stock_no -> Int4,
        /// SHA-256 of the public answer without its own day.
        digest -> Bytea,
    }
}

diesel::table! {
    /// Engines held for somebody, and the queue behind each in the order of ids.
    reservations (id) {
        id -> Int8,
        stock_no -> Int4,
        person_id -> Int8,
        /// The key that asked.
        key_id -> Int8,
        asked_at -> Timestamptz,
        /// How long it holds from the moment that it becomes live.
        hours -> Int4,
        /// NULL while it stands in the queue.
        held_from -> Nullable<Timestamptz>,
        /// The moment from which it holds no more, whether or not its lapse is written down yet.
        until_at -> Nullable<Timestamptz>,
        deposit_due -> Nullable<Numeric>,
        notes -> Nullable<Text>,
        /// NULL: live, past its moment but not yet written down, or in the queue.
        ended -> Nullable<Text>,
        ended_at -> Nullable<Timestamptz>,
        /// Why it was released.
        reason -> Nullable<Text>,
        sale_id -> Nullable<Int8>,
        /// Since when the person is to be told that the turn has come, or that it will not; NULL: nothing to tell.
        notify_since -> Nullable<Timestamptz>,
        notified_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    /// How sales were undone: the engine came back, or it never left.
    returns (id) {
        id -> Int8,
        sale_id -> Int8,
        /// The delivery that is undone; NULL where the sale was called off before the engine left.
        delivery_id -> Nullable<Int8>,
        on_day -> Date,
        reason -> Text,
        /// What the buyer had paid by then; with the refund it says what the firm keeps.
        paid -> Numeric,
        /// Agreed to be paid back.
        refund -> Numeric,
        /// Of the firm's own credit note, in sequence without gaps.
        credit_note_no -> Int4,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// Sales; one for each engine unless it is undone.
    sales (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        price -> Numeric,
        person_id -> Int8,
        buyer_abroad -> Bool,
        at_distance -> Bool,
        /// Day of the buyer's written acknowledgement that the engine is sold without papers or for restoration.
        papers_acknowledged_on -> Nullable<Date>,
        notes -> Nullable<Text>,
        /// The day promised to the buyer for the engine to leave; NULL: none was promised.
        promised_on -> Nullable<Date>,
        /// Of the firm's own invoice for the sale, in sequence without gaps.
        invoice_no -> Int4,
        /// Day of the written consent of the owner of an engine on commission to a price below the reserve; NULL: none.
        owner_agreed_on -> Nullable<Date>,
        /// Day from whose end the sale no longer stands; NULL while it does. The same day as in returns.
        sale_cancelled_on -> Nullable<Date>,
        /// The law of sale to consumers binds.
        buyer_is_consumer -> Bool,
        /// Members whose values are outside the usual limits and were confirmed.
        confirmed -> Array<Text>,
        /// Day on which the buyer was informed of the right to cancel a sale at a distance; NULL: never.
        informed_of_cancellation_on -> Nullable<Date>,
        /// Day on which the buyer sent the notice of cancelling a sale at a distance; NULL: not cancelled.
        cancelled_on -> Nullable<Date>,
        /// The firm offered to collect the engine from the buyer who cancelled.
        collection_offered -> Bool,
        /// Day on which the buyer showed that the engine was sent back; NULL: not shown.
        proof_of_sending_on -> Nullable<Date>,
        /// Day on which the firm agreed to refund a buyer who rejects the engine; NULL: not agreed.
        refund_agreed_on -> Nullable<Date>,
        /// Day of an event that changed what the engine was worth before it was sold, as damage does: the price tells nothing of days before it. NULL: none.
        value_changed_on -> Nullable<Date>,
    }
}

diesel::table! {
    /// How far the firm's sales invoices are numbered: one row, held by each sale until it is stored, so that no number is left out.
    sales_invoices (one) {
        one -> Bool,
        last_no -> Int4,
    }
}

diesel::table! {
    /// Sales as they were learned from, each form of one kept once and for ever.
    sales_learned (id) {
        id -> Int8,
        /// Of the column sale, as it was written.
        sha256 -> Bytea,
        sale -> Jsonb,
    }
}

diesel::table! {
    /// Terms of the law of sale, one dated row each; a row is ended and another added, never edited.
    statutory_periods (id) {
        id -> Int8,
        jurisdiction -> Text,
        rule -> Text,
        value -> Int4,
        unit -> Text,
        /// First day of delivery that it is for; NULL: all before too.
        valid_from -> Nullable<Date>,
        /// Last day, inclusive; NULL: in force.
        valid_until -> Nullable<Date>,
        source -> Text,
        /// How sure the row is.
        mark -> Text,
    }
}

diesel::table! {
    /// Where each engine stands; follows from the acts recorded, nothing of it is stored.
    stock (stock_no) {
        stock_no -> Int4,
        status -> Text,
        asking_price -> Nullable<Numeric>,
        boiler_id -> Nullable<Int8>,
        listing -> Nullable<Text>,
        /// The asking price as far as a visitor may know it; NULL while it is on request.
        public_price -> Nullable<Numeric>,
        /// Until when an engine in stock is reserved: it is so only before that moment. NULL: it is not.
        reserved_until -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    /// What buyers asked after a sale.
    support_notes (id) {
        id -> Int8,
        sale_id -> Int8,
        on_day -> Date,
        message -> Text,
        /// NULL while it is to be answered.
        answered -> Nullable<Text>,
    }
}

diesel::table! {
    /// One condition grade for each area looked at; an area that is missing was not looked at.
    survey_grades (survey_id, area) {
        survey_id -> Int8,
        area -> Text,
        grade -> Text,
    }
}

diesel::table! {
    /// Dated inspections of engines.
    surveys (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        surveyor -> Text,
        build_quality -> Nullable<Text>,
        notes -> Nullable<Text>,
        /// What the survey, or a laboratory for it, found of asbestos; NULL: it did not look.
        asbestos -> Nullable<Text>,
    }
}

diesel::table! {
    /// Closed tax periods, one after the other; nothing is dated on or before the last day of the last one.
    tax_periods (id) {
        id -> Int8,
        from_day -> Date,
        until_day -> Date,
        closed_on -> Date,
    }
}

diesel::table! {
    /// Changes of the tax position of acquisitions, which have the present one; the first row has the original.
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
    /// Rules of tax and cash, one dated row each; a row is ended and another added, never edited.
    tax_rules (id) {
        id -> Int8,
        jurisdiction -> Text,
        rule -> Text,
        /// In the unit named; NULL where the unit says it all.
        value -> Nullable<Numeric>,
        unit -> Text,
        /// First day; NULL: the source prints none, and the row also holds before.
        valid_from -> Nullable<Date>,
        /// Last day, inclusive; NULL: in force.
        valid_until -> Nullable<Date>,
        source -> Text,
        /// How sure the row is.
        mark -> Text,
        notes -> Nullable<Text>,
    }
}

diesel::table! {
    /// What a test takes of a fitter, and what others are paid for it.
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
        /// Time of day such as 15:00, where the order of a job and a test on one day matters.
        at -> Nullable<Text>,
        pressure -> Nullable<Text>,
        hold_minutes -> Nullable<Int4>,
        highest_pressure -> Nullable<Text>,
        passed -> Nullable<Bool>,
        /// The number that the tester read or wrote.
        boiler_number -> Nullable<Text>,
        inspector -> Nullable<Text>,
        inspector_interest -> Nullable<Bool>,
        notes -> Nullable<Text>,
        /// The place under whose boiler code the test was made.
        jurisdiction -> Text,
        /// Members whose values are outside the usual limits and were confirmed.
        confirmed -> Array<Text>,
    }
}

diesel::table! {
    /// Every valuation made, kept for ever.
    valuations (id) {
        id -> Int8,
        stock_no -> Int4,
        on_day -> Date,
        basis -> Text,
        price_scale_version -> Int4,
        low -> Numeric,
        likely -> Numeric,
        high -> Numeric,
        /// Steps, missing facts and warnings as they were answered.
        answer -> Jsonb,
        /// NULL: it rests on the price scale alone.
        price_model_id -> Nullable<Int8>,
        /// Tells which came first, the valuation or the sale recorded.
        made_at -> Timestamptz,
    }
}

diesel::table! {
    /// What is to be told to whom, and what came of it.
    webhook_calls (id) {
        id -> Int8,
        webhook_id -> Int8,
        /// NULL: a trial call.
        entry_no -> Nullable<Int8>,
        outcome -> Text,
        attempts -> Int4,
        /// Of the next attempt; put further ahead while one is made, so that no other process makes it too.
        due_at -> Timestamptz,
        last_at -> Nullable<Timestamptz>,
        last_status -> Nullable<Int4>,
        /// Of the answer, in bytes; the answer itself is not kept.
        last_length -> Nullable<Int8>,
        last_error -> Nullable<Text>,
    }
}

diesel::table! {
    /// Addresses that are told of what happens.
    webhooks (id) {
        id -> Int8,
        url -> Text,
        /// Types of journal entries, whole or up to their point; none: all.
        types -> Array<Text>,
        status -> Text,
        switched_off_reason -> Nullable<Text>,
        /// whsec_ and 32 bytes in base64, as calls are signed with it.
        secret -> Text,
        /// Signs too until former_until, after a rotation.
        former_secret -> Nullable<Text>,
        former_until -> Nullable<Timestamptz>,
        /// Entries up to this one have been made into calls.
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

diesel::allow_tables_to_appear_in_same_query!(
    accounts,
    acquisitions,
    as_it_stands_prices,
    asking_prices,
    back_tests,
    boiler_code_rules,
    boiler_codes,
    boiler_installations,
    boiler_pressure_changes,
    boilers,
    buying_valuations,
    certificates,
    checklist_items,
    closing_stock,
    closing_stock_lines,
    comparables,
    complaints,
    costs,
    credit_notes,
    days_off,
    deliveries,
    deposit_receipts,
    deposit_returns,
    deposits,
    disposals,
    engines,
    enquiries,
    exchange_rates,
    exports,
    findings,
    firm,
    fitters,
    gate_settings,
    hour_rates,
    idempotency_keys,
    imports,
    inspector_visits,
    job_findings,
    job_grades,
    job_hours,
    job_needs,
    job_parts,
    jobs,
    journal,
    journal_identity,
    keys,
    listings,
    midnights,
    offer_answers,
    offers,
    outgoing_payments,
    owner_notes,
    owner_notifications,
    payments,
    payouts,
    persons,
    photograph_sizes,
    photographs,
    plans,
    preparation_ticks,
    price_models,
    price_scales,
    prints,
    promises,
    public_answers,
    reservations,
    returns,
    sales,
    sales_invoices,
    sales_learned,
    statutory_periods,
    stock,
    support_notes,
    survey_grades,
    surveys,
    tax_periods,
    tax_position_changes,
    tax_rules,
    test_costs,
    tests,
    valuations,
    webhook_calls,
    webhooks,
);
