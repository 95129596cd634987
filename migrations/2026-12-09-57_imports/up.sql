CREATE TABLE imports (
    file_sha256 bytea PRIMARY KEY,
    on_day date NOT NULL,
    n_rows integer NOT NULL CONSTRAINT imports_n_rows CHECK (n_rows > 0)
);
COMMENT ON TABLE imports IS 'Files that were imported, by the digest of their bytes: the same file sent twice is told.';
