DROP TABLE acquisitions, boiler_fittings, boiler_pressure_changes, boilers, engines;
