CREATE TABLE preparation_items (
    item text PRIMARY KEY CONSTRAINT preparation_items_item CHECK (item ~ '^[a-z][a-z0-9_]{0,59}$'),
    words text NOT NULL,
    kind text CONSTRAINT preparation_items_kind CHECK (kind IN ('locomotive', 'road_engine', 'stationary', 'other')),
    at_distance boolean,
    buyer_abroad boolean,
    shuts_gate boolean NOT NULL
);
COMMENT ON TABLE preparation_items IS 'What the firm makes ready before an engine leaves: one list for each sale follows from it.';
COMMENT ON COLUMN preparation_items.kind IS 'NULL: for engines of every kind.';
COMMENT ON COLUMN preparation_items.at_distance IS 'Asked of such sales alone; NULL: of all.';
COMMENT ON COLUMN preparation_items.buyer_abroad IS 'Asked of such sales alone; NULL: of all.';
COMMENT ON COLUMN preparation_items.shuts_gate IS 'The engine may not leave before it is ticked.';

INSERT INTO preparation_items (item, words, at_distance, shuts_gate) VALUES
    ('drained', 'No water is left in boiler, tanks, pumps and pipes', NULL, false),
    ('lifting_plan', 'Weight known, slings and points of lifting settled', NULL, false),
    ('spares_packed', 'Spares and all that goes with it are packed', NULL, true),
    ('papers_packed', 'Boiler papers are packed, and their number is the one on the boiler', NULL, true),
    ('drawings_packed', 'Drawings and the builder''s records are packed', NULL, false),
    ('photographs_of_condition', 'Photographs show its condition on the day it leaves', NULL, false),
    ('engine_packed', 'The engine itself is packed and blocked for the road', true, false);

ALTER TABLE preparation_ticks
    ADD CONSTRAINT preparation_ticks_item FOREIGN KEY (item) REFERENCES preparation_items ON DELETE CASCADE;
