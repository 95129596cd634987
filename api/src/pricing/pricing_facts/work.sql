-- Work done on the engines $1, line by line: hours at their fitter's recovery rate on the day, parts, outside work.
-- Hours without a rate are worth nothing. A reversal counts at the rate of the line that it reverses.
SELECT j.stock_no, h.on_day, round(h.hours * coalesce(r.recovery_rate, 0), 2) AS worth
FROM job_hours h
JOIN jobs j ON j.id = h.job_id
LEFT JOIN job_hours wrong ON wrong.id = h.reverses_id
LEFT JOIN LATERAL (
    SELECT recovery_rate FROM hour_rates
    WHERE hour_rates.fitter = h.fitter AND hour_rates.from_day <= coalesce(wrong.on_day, h.on_day)
    ORDER BY hour_rates.from_day DESC LIMIT 1
) r ON true
WHERE j.stock_no = ANY($1)
UNION ALL
SELECT j.stock_no, p.on_day, p.cost
FROM job_parts p
JOIN jobs j ON j.id = p.job_id
WHERE j.stock_no = ANY($1)
UNION ALL
SELECT stock_no, on_day, cost
FROM costs
WHERE stock_no = ANY($1) AND kind IN ('parts', 'outside_work')
