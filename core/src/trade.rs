//! Enums of buying, selling and of the people in the firm.

words! {
    /// The role of an API key; it decides what the key may do.
    pub enum Role {
        Proprietor = "proprietor",
        Fitter = "fitter",
        Seller = "seller",
        Bookkeeper = "bookkeeper",
        Website = "website",
    }
}

words! {
    /// How an engine was acquired.
    pub enum AcquisitionMethod { Bought = "bought", Commission = "commission", PartExchange = "part_exchange" }
}

words! {
    /// How the sale of an engine is taxed.
    pub enum TaxPosition {
        MarginScheme = "margin_scheme",
        OrdinaryVat = "ordinary_vat",
        CommissionInOwnersName = "commission_in_owners_name",
        CommissionInOwnName = "commission_in_own_name",
        NotRegistered = "not_registered",
    }
}

words! {
    /// Whether the public sees a listing.
    pub enum ListingStatus { Draft = "draft", Published = "published", Withdrawn = "withdrawn" }
}

words! {
    /// Where an engine is in the trade; follows from the records.
    pub enum StockStatus {
        InStock = "in_stock",
        /// In stock and reserved for someone.
        Reserved = "reserved",
        Sold = "sold",
        Delivered = "delivered",
        /// Disposed of without a sale.
        Gone = "gone",
    }
}

words! {
    pub enum PaymentMethod { Transfer = "transfer", Card = "card", Cash = "cash", Cheque = "cheque", PartExchange = "part_exchange" }
}

words! {
    /// Where a comparable sale is from.
    pub enum SaleSource { Own = "own", ObservedAuction = "observed_auction", ObservedDealer = "observed_dealer", ObservedPrivate = "observed_private" }
}

words! {
    /// What a valuation is based on.
    pub enum ValuationBasis {
        /// Only the firm's price scale, no sales.
        PriceScale = "price_scale",
        /// Past sales, starting from the firm's price scale.
        Sales = "sales",
    }
}

words! {
    /// Status of a reservation; all but the first two are final.
    pub enum ReservationStatus {
        Live = "live",
        /// Waiting behind a live reservation of the same engine.
        Queued = "queued",
        Released = "released",
        /// Past its `until_at`.
        Lapsed = "lapsed",
        /// The engine was sold to the person who reserved it.
        Fulfilled = "fulfilled",
        /// In the queue when the engine was sold to someone else.
        EngineSold = "engine_sold",
        /// In the queue when the engine was disposed of without a sale.
        EngineGone = "engine_gone",
    }
}

words! {
    /// An answer to an offer.
    pub enum OfferAnswer { Accepted = "accepted", Declined = "declined", Countered = "countered", Withdrawn = "withdrawn" }
}

words! {
    /// Status of an offer.
    pub enum OfferStatus {
        Open = "open",
        Accepted = "accepted",
        Declined = "declined",
        /// The firm named the amount that it would accept.
        Countered = "countered",
        Withdrawn = "withdrawn",
        /// Not answered by the end of its last day.
        Lapsed = "lapsed",
        /// The engine was sold to someone else.
        EngineSold = "engine_sold",
    }
}

words! {
    /// Whether a plan of the workshop keeps a promise.
    pub enum PlannedOutcome {
        Kept = "kept",
        Broken = "broken",
        /// No plan can keep it.
        CannotBeKept = "cannot_be_kept",
    }
}

words! {
    /// What can be done with an engine that needs work.
    pub enum WorkOptionKind {
        Repair = "repair",
        SellAsItStands = "sell_as_it_stands",
        BreakForParts = "break_for_parts",
    }
}

words! {
    /// What is promised for a day.
    pub enum PromiseKind {
        ReadyForCollection = "ready_for_collection",
        Delivered = "delivered",
        AtInspector = "at_inspector",
        Other = "other",
    }
}

words! {
    /// How a promise ended.
    pub enum PromiseEnd { Kept = "kept", Broken = "broken", Withdrawn = "withdrawn" }
}

words! {
    /// Status of a promise; all but `open` are final.
    pub enum PromiseStatus { Open = "open", Kept = "kept", Broken = "broken", Withdrawn = "withdrawn" }
}

words! {
    /// Why a promise may not be kept.
    pub enum PromiseDanger {
        DayPast = "day_past",
        /// A certificate that is valid today will not be valid on that day.
        PaperLapses = "paper_lapses",
        /// Another check of the delivery gate is not met on that day.
        GateUnmet = "gate_unmet",
        JobOpen = "job_open",
        /// A part on order or work by others is expected after that day.
        ExpectedLater = "expected_later",
        SoldToAnother = "sold_to_another",
    }
}

words! {
    /// Whether a visitor can still buy a listed engine.
    pub enum Availability { ForSale = "for_sale", Reserved = "reserved", Sold = "sold" }
}

words! {
    /// How an engine is delivered.
    pub enum DeliveryMethod { Collection = "collection", OwnVan = "own_van", Carrier = "carrier", Export = "export" }
}

words! {
    /// Paper size of printed sheets: A4 (ISO 216) or Letter (ASME Y14.1, 8 1/2 x 11 in).
    pub enum PaperSize { A4 = "a4", Letter = "letter" }
}

words! {
    /// Topic of the firm's notes for a new owner.
    pub enum OwnerNoteTopic { RunningIn = "running_in", LayingUp = "laying_up", Other = "other" }
}

words! {
    /// How an engine is disposed of without a sale.
    pub enum DisposalMethod {
        /// The purchase is reversed, and the seller owes the price.
        ReturnedToSeller = "returned_to_seller",
        /// The owner of an engine on commission takes it back.
        TakenBackByOwner = "taken_back_by_owner",
        Scrapped = "scrapped",
        BrokenForParts = "broken_for_parts",
    }
}

words! {
    /// Why a sale is cancelled.
    pub enum ReturnReason {
        /// The consumer used the right to reject faulty goods.
        Rejected = "rejected",
        /// The buyer used the right to cancel a distance sale, or withdrew before the engine left.
        Cancelled = "cancelled",
        /// By agreement only.
        Agreed = "agreed",
    }
}

/// The default last part of the address of an engine's page: the title in lower-case ASCII letters and digits, then the
/// stock number, which makes it unique. At most 100 characters.
pub fn page_name(title: &str, stock_no: i32) -> String {
    let plain: String = title
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() {
                c.to_ascii_lowercase()
            } else {
                ' '
            }
        })
        .collect();
    let mut name = String::new();
    for word in plain
        .split_whitespace()
        .chain([stock_no.to_string().as_str()])
    {
        if !name.is_empty() {
            name.push('-');
        }
        name.push_str(word);
    }
    if name.len() <= LONGEST_PAGE_NAME {
        return name;
    }
    let number = format!("-{stock_no}");
    let kept = name
        .get(..LONGEST_PAGE_NAME - number.len())
        .unwrap_or_default();
    format!("{}{number}", kept.trim_end_matches('-'))
}

pub const LONGEST_PAGE_NAME: usize = 100;

/// Whether the text is 1 to 100 characters: words of lower-case ASCII letters and digits, joined by single hyphens.
pub fn is_page_name(text: &str) -> bool {
    let of_letters = |word: &str| {
        !word.is_empty()
            && word
                .bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit())
    };
    text.len() <= LONGEST_PAGE_NAME && text.split('-').all(of_letters)
}

/// The longest reservation: 90 days.
pub const MOST_RESERVATION_HOURS: i32 = 2160;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Plain reading, no source.
    #[test]
    fn a_page_name_keeps_letters_and_ends_in_the_stock_number() {
        for (title, name) in [
            (
                "Marrowby, a saddle tank for 5 in gauge",
                "marrowby-a-saddle-tank-for-5-in-gauge-417",
            ),
            ("  Café -- Lok!  ", "caf-lok-417"),
            ("機関車", "417"),
        ] {
            assert_eq!(page_name(title, 417), name);
        }
        for bad in ["", "-", "a--b", "A", "a b", "a/b", "é", &"a".repeat(101)] {
            assert!(!is_page_name(bad), "{bad}");
        }
    }

    proptest! {
        #[test]
        fn every_title_gives_a_page_name(title in "\\PC{0,200}", stock_no in 1..i32::MAX) {
            let name = page_name(&title, stock_no);
            prop_assert!(is_page_name(&name), "{name}");
            prop_assert!(name.split('-').next_back() == Some(stock_no.to_string().as_str()));
        }
    }
}
