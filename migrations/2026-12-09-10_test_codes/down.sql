ALTER TABLE boiler_code_rules DROP COLUMN accepts;
ALTER TABLE boilers DROP COLUMN gas_tank_volume;
ALTER TABLE tests DROP COLUMN jurisdiction;
