-- Jobs of the engines $1 that are agreed or in hand at the end of the day $2, with the hours booked on them up to it.
SELECT j.stock_no, j.hours_agreed, j.outside_work, j.agreed_on, coalesce(sum(h.hours), 0) AS hours_booked
FROM jobs j
LEFT JOIN job_hours h ON h.job_id = j.id AND h.on_day <= $2
WHERE j.stock_no = ANY ($1) AND j.agreed_on <= $2 AND coalesce(j.finished_on, j.called_off_on, 'infinity') > $2
GROUP BY j.id
ORDER BY j.stock_no, j.id
