CREATE TABLE photographs (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    stock_no integer NOT NULL REFERENCES engines,
    place integer NOT NULL CONSTRAINT photographs_place CHECK (place > 0),
    alt text,
    public boolean NOT NULL,
    added_on date NOT NULL,
    CONSTRAINT photographs_one_a_place UNIQUE (stock_no, place) DEFERRABLE INITIALLY DEFERRED
);
COMMENT ON TABLE photographs IS 'Pictures of engines; the pixels lie in the object store.';
COMMENT ON COLUMN photographs.place IS 'Orders the photographs of an engine; the lowest is the main picture. There may be gaps.';
COMMENT ON COLUMN photographs.alt IS 'What it shows, for those who do not see it; NULL: not yet described, so no visitor is shown it.';
COMMENT ON COLUMN photographs.public IS 'true: visitors may see it while the engine is on show.';

CREATE TABLE photograph_sizes (
    photograph_id bigint NOT NULL REFERENCES photographs ON DELETE CASCADE,
    width integer NOT NULL CONSTRAINT photograph_sizes_width CHECK (width BETWEEN 1 AND 2560),
    height integer NOT NULL CONSTRAINT photograph_sizes_height CHECK (height > 0),
    file text NOT NULL CONSTRAINT photograph_sizes_file CHECK (file ~ '^[0-9a-f]{64}\.jpg$'),
    PRIMARY KEY (photograph_id, width)
);
CREATE INDEX photograph_sizes_file_index ON photograph_sizes (file);
COMMENT ON TABLE photograph_sizes IS 'The files of a photograph, each smaller than the one before.';
COMMENT ON COLUMN photograph_sizes.width IS 'Pixels, upright.';
COMMENT ON COLUMN photograph_sizes.height IS 'Pixels, upright.';
COMMENT ON COLUMN photograph_sizes.file IS 'Name in the object store: SHA-256 of the content. Two photographs may share a file.';
