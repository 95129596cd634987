ALTER TABLE offers ADD ended_by_sale_id bigint REFERENCES sales;
COMMENT ON COLUMN offers.ended_by_sale_id IS 'The sale of the engine to somebody else that ended the offer; NULL: none did. It stays when that sale is undone.';
