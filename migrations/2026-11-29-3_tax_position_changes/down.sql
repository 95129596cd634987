DROP TABLE tax_position_changes;
