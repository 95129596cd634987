CREATE TABLE exports (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    sale_id bigint NOT NULL CONSTRAINT exports_one_a_sale UNIQUE REFERENCES sales,
    destination text NOT NULL,
    method text NOT NULL,
    left_on date,
    evidence text,
    evidence_on date,
    used_before_leaving boolean NOT NULL DEFAULT false,
    CONSTRAINT exports_evidence CHECK ((evidence IS NULL) = (evidence_on IS NULL))
);
COMMENT ON TABLE exports IS 'Engines that were sold to go to another country, one row for a sale.';
COMMENT ON COLUMN exports.destination IS 'ISO 3166-1, two letters.';
COMMENT ON COLUMN exports.method IS 'Who takes it there: the seller has control to the end, or the buyer collects.';
COMMENT ON COLUMN exports.left_on IS 'Day on which it left the country of the firm; NULL: it has not.';
COMMENT ON COLUMN exports.evidence IS 'What shows that it left, such as a customs declaration or a waybill; NULL: none is held.';
COMMENT ON COLUMN exports.evidence_on IS 'Day on which the firm got it; NULL: none is held.';
COMMENT ON COLUMN exports.used_before_leaving IS 'It was used in the country of the firm before it left: late evidence takes no tax back.';
