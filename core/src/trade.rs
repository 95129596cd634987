//! Words of buying, selling and of the people in the firm.

words! {
    /// What a key may do.
    pub enum Role {
        Proprietor = "proprietor",
        Fitter = "fitter",
        Seller = "seller",
        Bookkeeper = "bookkeeper",
        Website = "website",
    }
}

words! {
    /// How an engine came.
    pub enum AcquisitionMethod { Bought = "bought", Commission = "commission", PartExchange = "part_exchange" }
}

words! {
    /// How tax falls on the sale of an engine that came this way.
    pub enum TaxPosition {
        MarginScheme = "margin_scheme",
        OrdinaryVat = "ordinary_vat",
        CommissionInOwnersName = "commission_in_owners_name",
        CommissionInOwnName = "commission_in_own_name",
        NotRegistered = "not_registered",
    }
}

words! {
    /// What the public sees of a listing.
    pub enum ListingStatus { Draft = "draft", Published = "published", Withdrawn = "withdrawn" }
}

words! {
    /// Where an engine stands in the trade; follows from the acts recorded.
    pub enum StockStatus {
        InStock = "in_stock",
        /// In stock, and held for somebody.
        Reserved = "reserved",
        Sold = "sold",
        Delivered = "delivered",
        /// Gone without a sale.
        Gone = "gone",
    }
}

words! {
    pub enum PaymentMethod { Transfer = "transfer", Card = "card", Cash = "cash", Cheque = "cheque", PartExchange = "part_exchange" }
}

words! {
    /// Where a comparable sale is known from.
    pub enum SaleSource { Own = "own", ObservedAuction = "observed_auction", ObservedDealer = "observed_dealer", ObservedPrivate = "observed_private" }
}

words! {
    /// What a valuation rests on.
    pub enum ValuationBasis {
        /// The firm's own guide, and no sale.
        PriceScale = "price_scale",
        /// Achieved sales, over the firm's own guide.
        Sales = "sales",
    }
}

words! {
    /// Where a reservation stands; all but the first two are ends.
    pub enum ReservationStatus {
        Live = "live",
        /// Behind a live one of the same engine.
        Queued = "queued",
        Released = "released",
        /// Its moment has come.
        Lapsed = "lapsed",
        /// The engine was sold to whom it was held for.
        Fulfilled = "fulfilled",
        /// In the queue when the engine was sold to somebody else.
        EngineSold = "engine_sold",
        /// In the queue when the engine went without a sale.
        EngineGone = "engine_gone",
    }
}

words! {
    /// What is answered to an offer.
    pub enum OfferAnswer { Accepted = "accepted", Declined = "declined", Countered = "countered", Withdrawn = "withdrawn" }
}

words! {
    /// Where an offer stands.
    pub enum OfferStatus {
        Open = "open",
        Accepted = "accepted",
        Declined = "declined",
        /// The firm said what it would take.
        Countered = "countered",
        Withdrawn = "withdrawn",
        /// Nobody answered it before its last day was over.
        Lapsed = "lapsed",
        /// The engine was sold to somebody else.
        EngineSold = "engine_sold",
    }
}

words! {
    /// What a plan of the workshop makes of a promise.
    pub enum PlannedOutcome {
        Kept = "kept",
        Broken = "broken",
        /// Under any plan.
        CannotBeKept = "cannot_be_kept",
    }
}

words! {
    /// What can be done with an engine that wants work.
    pub enum WorkOptionKind {
        Repair = "repair",
        SellAsItStands = "sell_as_it_stands",
        BreakForParts = "break_for_parts",
    }
}

words! {
    /// What somebody was given a day for.
    pub enum PromiseKind {
        ReadyForCollection = "ready_for_collection",
        Delivered = "delivered",
        AtInspector = "at_inspector",
        Other = "other",
    }
}

words! {
    /// What became of a promise.
    pub enum PromiseEnd { Kept = "kept", Broken = "broken", Withdrawn = "withdrawn" }
}

words! {
    pub enum PromiseStatus { Open = "open", Kept = "kept", Broken = "broken", Withdrawn = "withdrawn" }
}

words! {
    /// Why a promise may not be kept.
    pub enum PromiseDanger {
        DayPast = "day_past",
        /// A paper that holds today does not on that day.
        PaperLapses = "paper_lapses",
        /// Something else that the engine needs to leave is missing on that day.
        GateUnmet = "gate_unmet",
        JobOpen = "job_open",
        /// A part on order or work by others is expected after that day.
        ExpectedLater = "expected_later",
        SoldToAnother = "sold_to_another",
    }
}

words! {
    /// Whether a visitor may still have an engine on show.
    pub enum Availability { ForSale = "for_sale", Reserved = "reserved", Sold = "sold" }
}

words! {
    /// How an engine leaves.
    pub enum DeliveryMethod { Collection = "collection", OwnVan = "own_van", Carrier = "carrier", Export = "export" }
}

words! {
    /// ISO 216 A4, or the Letter size of ASME Y14.1: 8 1/2 by 11 in.
    pub enum PaperSize { A4 = "a4", Letter = "letter" }
}

words! {
    /// What the firm's notes for a new owner are about.
    pub enum OwnerNoteTopic { RunningIn = "running_in", LayingUp = "laying_up", Other = "other" }
}

words! {
    /// How an engine goes without a sale.
    pub enum DisposalMethod {
        /// The purchase is undone, and the seller owes its price.
        ReturnedToSeller = "returned_to_seller",
        /// The owner of an engine on commission takes it back.
        TakenBackByOwner = "taken_back_by_owner",
        Scrapped = "scrapped",
        BrokenForParts = "broken_for_parts",
    }
}

words! {
    /// Why a sale is undone.
    pub enum ReturnReason {
        /// By a consumer's right to reject what is not as it should be.
        Rejected = "rejected",
        /// By the right to cancel a sale at a distance, or a buyer who withdraws before the engine leaves.
        Cancelled = "cancelled",
        /// By agreement alone.
        Agreed = "agreed",
    }
}

/// The last part of the address of an engine's page when nobody gives one: the title in small letters and digits of ASCII,
/// then the stock number, which keeps it the engine's own. At most 100 characters.
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

/// Small letters and digits of ASCII in words joined by single hyphens, 1 to 100 characters.
pub fn is_page_name(text: &str) -> bool {
    let of_letters = |word: &str| {
        !word.is_empty()
            && word
                .bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit())
    };
    text.len() <= LONGEST_PAGE_NAME && text.split('-').all(of_letters)
}

/// The longest that an engine is held at a time: 90 days.
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
