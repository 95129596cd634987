-- Jobs of the engines $1 neither finished nor called off at the end of day $2, with the hours and parts booked on them
-- up to then; in the order in which they were agreed, jobs not yet agreed last.
SELECT j.id, j.stock_no, j.touches, j.gauge_glass_only, j.hours_agreed, j.outside_work, j.parts_expected, j.skill, j.fitter_id,
    CASE WHEN j.agreed_on <= $2 THEN j.agreed_on END AS agreed_on,
    (SELECT coalesce(sum(h.hours), 0) FROM job_hours h WHERE h.job_id = j.id AND h.on_day <= $2) AS hours_booked,
    (SELECT coalesce(sum(p.cost), 0) FROM job_parts p WHERE p.job_id = j.id AND p.on_day <= $2) AS parts_booked
FROM jobs j
WHERE j.stock_no = ANY ($1) AND coalesce(j.finished_on, j.called_off_on, 'infinity') > $2
ORDER BY j.stock_no, j.agreed_on, j.id
