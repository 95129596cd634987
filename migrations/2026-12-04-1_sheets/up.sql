ALTER TABLE firm ADD COLUMN paper_size text NOT NULL DEFAULT 'a4' CONSTRAINT firm_paper_size CHECK (paper_size IN ('a4', 'letter'));
COMMENT ON COLUMN firm.paper_size IS 'On which sheets are printed.';

CREATE TABLE handover_notes (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    topic text NOT NULL CONSTRAINT handover_notes_topic CHECK (topic IN ('running_in', 'laying_up', 'other')),
    kind text CONSTRAINT handover_notes_kind CHECK (kind IN ('locomotive', 'road_engine', 'stationary', 'other')),
    fuel text CONSTRAINT handover_notes_fuel CHECK (fuel IN ('coal', 'wood', 'oil', 'gas', 'spirit', 'electric')),
    words text NOT NULL
);
COMMENT ON TABLE handover_notes IS 'The firm''s own notes for those who take an engine over.';
COMMENT ON COLUMN handover_notes.kind IS 'NULL: for engines of every kind.';
COMMENT ON COLUMN handover_notes.fuel IS 'NULL: for engines fired with anything.';

CREATE TABLE prints (
    secret_sha256 bytea PRIMARY KEY,
    html text NOT NULL,
    until_at timestamptz NOT NULL
);
CREATE INDEX prints_until_at ON prints (until_at);
COMMENT ON TABLE prints IS 'Sheets that wait to be opened once in a browser.';
