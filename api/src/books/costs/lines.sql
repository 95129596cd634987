-- The cost ledgers of the engines $1 up to the day $2. Hours count at their fitter's rates on the day, to the penny, a
-- half away from 0; without a rate they cost nothing. A reversal counts at the rates of the line that it reverses.
SELECT a.stock_no, 'acquisition' AS source, a.id, 'purchase' AS kind, a.on_day AS "on", a.price - a.supplier_vat AS cost,
    a.price - a.supplier_vat AS worth, a.supplier_vat, 0::numeric AS hours, a.invoice_no, a.person_id, NULL AS entered_by, NULL AS notes,
    NULL::bigint AS reverses_id
FROM acquisitions a
WHERE a.stock_no = ANY ($1) AND a.on_day <= $2 AND a.price IS NOT NULL
UNION ALL
SELECT c.stock_no, 'entered', c.id, c.kind, c.on_day, c.cost, c.cost, c.supplier_vat, 0, c.invoice_no, c.person_id, c.entered_by, c.notes,
    c.reverses_id
FROM costs c
WHERE c.stock_no = ANY ($1) AND c.on_day <= $2
UNION ALL
SELECT j.stock_no, 'job_hours', h.id, 'work', h.on_day, round(h.hours * coalesce(r.cost_rate, 0), 2),
    round(h.hours * coalesce(r.recovery_rate, 0), 2), 0, h.hours, NULL, NULL, h.fitter, j.title, h.reverses_id
FROM job_hours h
JOIN jobs j ON j.id = h.job_id
LEFT JOIN job_hours wrong ON wrong.id = h.reverses_id
LEFT JOIN LATERAL (
    SELECT cost_rate, recovery_rate FROM hour_rates
    WHERE hour_rates.fitter = h.fitter AND hour_rates.from_day <= coalesce(wrong.on_day, h.on_day)
    ORDER BY hour_rates.from_day DESC LIMIT 1
) r ON true
WHERE j.stock_no = ANY ($1) AND h.on_day <= $2
UNION ALL
SELECT j.stock_no, 'job_parts', p.id, 'parts', p.on_day, p.cost, p.cost, 0, 0, NULL, NULL, NULL, p.description, p.reverses_id
FROM job_parts p
JOIN jobs j ON j.id = p.job_id
WHERE j.stock_no = ANY ($1) AND p.on_day <= $2
ORDER BY stock_no, "on", source, id
