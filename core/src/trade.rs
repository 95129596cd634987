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
    pub enum Manner { Bought = "bought", Commission = "commission", PartExchange = "part_exchange" }
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
    pub enum ListingStanding { Draft = "draft", OnShow = "on_show", Withdrawn = "withdrawn" }
}

words! {
    /// Where an engine stands in the trade; follows from the acts recorded.
    pub enum Standing { InStock = "in_stock", Sold = "sold", Delivered = "delivered" }
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
        Guide = "guide",
    }
}
