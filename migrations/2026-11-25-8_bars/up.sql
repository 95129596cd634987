CREATE TABLE readiness_bars (
    one boolean PRIMARY KEY DEFAULT true CONSTRAINT readiness_bars_one CHECK (one),
    watch_bars text[] NOT NULL DEFAULT '{}',
    watch_days integer NOT NULL DEFAULT 30 CONSTRAINT readiness_bars_watch_days CHECK (watch_days BETWEEN 0 AND 366),
    frost_months integer[] NOT NULL DEFAULT '{11,12,1,2,3}'
);
COMMENT ON TABLE readiness_bars IS 'What the firm sets for its own gates: one row.';
COMMENT ON COLUMN readiness_bars.watch_bars IS 'Checks whose watch shuts a gate too; an unmet one always does.';
COMMENT ON COLUMN readiness_bars.watch_days IS 'A paper that lapses within so many days is watched.';
COMMENT ON COLUMN readiness_bars.frost_months IS 'Months, 1 to 12, in which an engine travels drained.';
INSERT INTO readiness_bars DEFAULT VALUES;
