DELETE FROM tax_rules WHERE rule = 'export_months';
