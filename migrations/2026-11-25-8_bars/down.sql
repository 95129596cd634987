DROP TABLE readiness_bars;
