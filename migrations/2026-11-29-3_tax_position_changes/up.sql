CREATE TABLE tax_position_changes (
    id bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    acquisition_id bigint NOT NULL REFERENCES acquisitions,
    on_day date NOT NULL,
    from_position text NOT NULL,
    to_position text NOT NULL,
    reason text NOT NULL,
    changed_by text NOT NULL,
    CONSTRAINT tax_position_changes_other CHECK (from_position <> to_position)
);
CREATE INDEX tax_position_changes_acquisition ON tax_position_changes (acquisition_id);
COMMENT ON TABLE tax_position_changes IS 'Changes of the tax position of acquisitions, which have the present one; the first row has the original.';
