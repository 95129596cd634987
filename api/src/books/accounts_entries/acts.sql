-- Acts up to the day $1 that move money or stock, by day, source, id and stock number from ($2, $3, $4, $5) on, at most
-- $6. Hours count at their fitter's cost rate on the day, to the penny, a half away from 0; a reversal counts at the
-- rate of the line that it reverses. Write-downs are those of the last closing stock before the day; a closing stock
-- does not count for an engine that was gone by its day. The tax on exports fell due or was taken back on the days $7,
-- of the sales $8, taken back where $9 is true. Spending after the day of a sale, up to the day on which the sale is
-- cancelled, was on an engine that was gone.
WITH acts AS (
    (SELECT on_day, 'acquisition' COLLATE "C" AS source, id, stock_no, 'purchase' AS kind, NULL AS method, NULL AS disposal,
        price - supplier_vat AS amount, supplier_vat AS other_amount, 'engine.acquired' AS written_as, 'acquisition_id' AS id_name, id AS written_id
    FROM acquisitions
    WHERE price IS NOT NULL AND on_day BETWEEN $2 AND $1
        AND (on_day, 'acquisition' COLLATE "C", id, stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY on_day, id LIMIT $6)
    UNION ALL
    (SELECT on_day, 'cost', id, stock_no, kind, NULL, NULL, cost, supplier_vat,
        CASE WHEN reverses_id IS NULL THEN 'cost.created' ELSE 'cost.reversed' END, 'cost_id', id
    FROM costs
    WHERE on_day BETWEEN $2 AND $1 AND (on_day, 'cost' COLLATE "C", id, stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY on_day, id LIMIT $6)
    UNION ALL
    (SELECT d.on_day, 'deposit', d.id, r.stock_no, NULL, d.method, NULL, d.amount, 0, 'deposit.received', 'deposit_id', d.id
    FROM deposits d
    JOIN reservations r ON r.id = d.reservation_id
    WHERE d.on_day BETWEEN $2 AND $1 AND (d.on_day, 'deposit' COLLATE "C", d.id, r.stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY d.on_day, d.id LIMIT $6)
    UNION ALL
    (SELECT b.on_day, 'deposit_return', b.id, r.stock_no, NULL, b.method, NULL, d.amount, 0, 'deposit.returned', 'deposit_return_id', b.id
    FROM deposit_returns b
    JOIN deposits d ON d.id = b.deposit_id
    JOIN reservations r ON r.id = d.reservation_id
    WHERE b.on_day BETWEEN $2 AND $1 AND (b.on_day, 'deposit_return' COLLATE "C", b.id, r.stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY b.on_day, b.id LIMIT $6)
    UNION ALL
    (SELECT on_day, 'disposal', id, stock_no, NULL, NULL, method, 0, 0, 'engine.disposed_of', 'disposal_id', id
    FROM disposals
    WHERE on_day BETWEEN $2 AND $1 AND (on_day, 'disposal' COLLATE "C", id, stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY on_day, id LIMIT $6)
    UNION ALL
    (SELECT late.on_day, 'export_tax', late.sale_id, s.stock_no, NULL, NULL, NULL, s.price, CASE WHEN late.back THEN 1 ELSE 0 END, 'export.created',
        'sale_id', late.sale_id
    FROM unnest($7::date[], $8::bigint[], $9::boolean[]) AS late (on_day, sale_id, back)
    JOIN sales s ON s.id = late.sale_id
    WHERE late.on_day BETWEEN $2 AND $1 AND (late.on_day, 'export_tax' COLLATE "C", late.sale_id, s.stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY late.on_day, late.sale_id LIMIT $6)
    UNION ALL
    (SELECT h.on_day, 'job_hours', h.id, j.stock_no, 'work', NULL, NULL, round(h.hours * coalesce(r.cost_rate, 0), 2), 0,
        CASE WHEN h.reverses_id IS NULL THEN 'job.hours_booked' ELSE 'job.line_reversed' END, 'hours_id', coalesce(h.reverses_id, h.id)
    FROM job_hours h
    JOIN jobs j ON j.id = h.job_id
    LEFT JOIN job_hours wrong ON wrong.id = h.reverses_id
    LEFT JOIN LATERAL (
        SELECT cost_rate FROM hour_rates
        WHERE hour_rates.fitter = h.fitter AND hour_rates.from_day <= coalesce(wrong.on_day, h.on_day)
        ORDER BY hour_rates.from_day DESC LIMIT 1
    ) r ON true
    WHERE h.on_day BETWEEN $2 AND $1 AND (h.on_day, 'job_hours' COLLATE "C", h.id, j.stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY h.on_day, h.id LIMIT $6)
    UNION ALL
    (SELECT p.on_day, 'job_parts', p.id, j.stock_no, 'parts', NULL, NULL, p.cost, 0,
        CASE WHEN p.reverses_id IS NULL THEN 'job.parts_used' ELSE 'job.line_reversed' END, 'parts_id', coalesce(p.reverses_id, p.id)
    FROM job_parts p
    JOIN jobs j ON j.id = p.job_id
    WHERE p.on_day BETWEEN $2 AND $1 AND (p.on_day, 'job_parts' COLLATE "C", p.id, j.stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY p.on_day, p.id LIMIT $6)
    UNION ALL
    (SELECT o.on_day, 'outgoing_payment', o.id, coalesce(a.stock_no, c.stock_no, j.stock_no), NULL, o.method, NULL, o.amount, 0, 'supplier.paid',
        'outgoing_payment_id', o.id
    FROM outgoing_payments o
    LEFT JOIN acquisitions a ON a.id = o.acquisition_id
    LEFT JOIN costs c ON c.id = o.cost_id
    LEFT JOIN job_parts p ON p.id = o.parts_id
    LEFT JOIN jobs j ON j.id = p.job_id
    WHERE o.on_day BETWEEN $2 AND $1
        AND (o.on_day, 'outgoing_payment' COLLATE "C", o.id, coalesce(a.stock_no, c.stock_no, j.stock_no)) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY o.on_day, o.id LIMIT $6)
    UNION ALL
    (SELECT p.on_day, 'payment', p.id, s.stock_no, NULL, p.method, NULL, CASE WHEN p.deposit_id IS NULL THEN p.amount ELSE 0 END,
        CASE WHEN p.deposit_id IS NULL THEN 0 ELSE p.amount END, 'payment.created', 'payment_id', p.id
    FROM payments p
    JOIN sales s ON s.id = p.sale_id
    WHERE p.on_day BETWEEN $2 AND $1 AND (p.on_day, 'payment' COLLATE "C", p.id, s.stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY p.on_day, p.id LIMIT $6)
    UNION ALL
    (SELECT p.on_day, 'payout', p.id, s.stock_no, NULL, p.method, NULL, p.amount, 0, 'owner.paid', 'payout_id', p.id
    FROM payouts p
    JOIN sales s ON s.id = p.sale_id
    WHERE p.on_day BETWEEN $2 AND $1 AND (p.on_day, 'payout' COLLATE "C", p.id, s.stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY p.on_day, p.id LIMIT $6)
    UNION ALL
    (SELECT r.on_day, 'return', r.id, s.stock_no, NULL, NULL, NULL, s.price, r.paid - r.refund,
        CASE WHEN r.delivery_id IS NULL THEN 'sale.cancelled' ELSE 'engine.returned' END, 'return_id', r.id
    FROM returns r
    JOIN sales s ON s.id = r.sale_id
    WHERE r.on_day BETWEEN $2 AND $1 AND (r.on_day, 'return' COLLATE "C", r.id, s.stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY r.on_day, r.id LIMIT $6)
    UNION ALL
    (SELECT on_day, 'sale', id, stock_no, NULL, NULL, NULL, price, 0, 'engine.sold', 'sale_id', id
    FROM sales
    WHERE on_day BETWEEN $2 AND $1 AND (on_day, 'sale' COLLATE "C", id, stock_no) >= ($2, $3 COLLATE "C", $4, $5)
    ORDER BY on_day, id LIMIT $6)
    UNION ALL
    (SELECT k.on_day, 'stock_valuation', k.id, l.stock_no, NULL, NULL, NULL, l.write_down, l.reversal, 'closing_stock.created', 'closing_stock_id', k.id
    FROM closing_stock k
    JOIN closing_stock_lines l ON l.closing_stock_id = k.id
    WHERE k.on_day BETWEEN $2 AND $1 AND (k.on_day, 'stock_valuation' COLLATE "C", k.id, l.stock_no) >= ($2, $3 COLLATE "C", $4, $5)
        AND l.write_down + l.reversal > 0
        AND NOT gone_by(l.stock_no, k.on_day)
    ORDER BY k.on_day, k.id, l.stock_no LIMIT $6)
    ORDER BY on_day, source, id, stock_no
    LIMIT $6
)
SELECT acts.on_day, acts.source, acts.id, acts.stock_no, acts.kind, acts.method, acts.disposal, acts.amount, acts.other_amount, a.method AS acquisition_method,
    a.tax_position, a.price AS purchase, a.supplier_vat AS purchase_vat, a.commission_percent, a.commission_fixed, was.gone AS was_gone, undone.sold_on,
    undone.sale_id,
    coalesce(w.written_down, 0) AS written_down, written.entry_no
FROM acts
JOIN acquisitions a ON a.stock_no = acts.stock_no
CROSS JOIN LATERAL (
    SELECT EXISTS (SELECT 1 FROM sales s WHERE s.stock_no = acts.stock_no AND s.on_day < acts.on_day AND coalesce(s.sale_cancelled_on >= acts.on_day, true))
        OR EXISTS (SELECT 1 FROM disposals d WHERE d.stock_no = acts.stock_no AND d.on_day < acts.on_day) AS gone
) was
LEFT JOIN LATERAL (
    SELECT s.on_day AS sold_on, s.id AS sale_id FROM sales s
    WHERE s.id = CASE acts.source WHEN 'return' THEN (SELECT sale_id FROM returns r WHERE r.id = acts.id) ELSE acts.id END
) undone ON acts.source IN ('export_tax', 'return', 'sale')
LEFT JOIN LATERAL (
    SELECT l.cost - l.carrying_amount AS written_down
    FROM closing_stock_lines l
    JOIN closing_stock k ON k.id = l.closing_stock_id
    WHERE l.stock_no = acts.stock_no AND k.on_day < acts.on_day AND NOT gone_by(l.stock_no, k.on_day)
    ORDER BY k.on_day DESC LIMIT 1
) w ON acts.source IN ('disposal', 'return', 'sale')
LEFT JOIN LATERAL (
    SELECT j.entry_no FROM journal j
    WHERE acts.source <> 'stock_valuation' AND j.stock_no = acts.stock_no AND j.type = acts.written_as
        AND (j.data ->> acts.id_name)::bigint = acts.written_id
    UNION ALL
    SELECT j.entry_no FROM journal j
    WHERE acts.source = 'stock_valuation' AND j.type = 'closing_stock.created' AND (j.data ->> acts.id_name)::bigint = acts.written_id
    LIMIT 1
) written ON true
ORDER BY acts.on_day, acts.source, acts.id, acts.stock_no
