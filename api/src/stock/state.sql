-- How engine $1 came, whether it is sold, when its last sale was cancelled, and whether it has left.
SELECT a.stock_no, a.on_day AS came_on, a.method, a.tax_position, a.price, a.supplier_vat, a.person_id AS owner, a.reserve, a.commission_percent, a.commission_fixed,
    EXISTS (SELECT FROM sales s WHERE s.stock_no = a.stock_no AND s.sale_cancelled_on IS NULL) AS sold,
    (SELECT max(s.sale_cancelled_on) FROM sales s WHERE s.stock_no = a.stock_no) AS back_on,
    (SELECT d.on_day FROM disposals d WHERE d.stock_no = a.stock_no) AS gone_on
FROM acquisitions a
WHERE a.stock_no = $1
