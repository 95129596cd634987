-- What the two other services read: all of an engine on show in one row, with the indexes that their questions want. It spares
-- them every join, and the reckoning of papers, which Outshop's answers carry.
BEGIN;
DROP TABLE IF EXISTS peer_listings;
CREATE TABLE peer_listings AS
SELECT l.stock_no, l.title, l.page_name, l.on_show_since, l.description, l.price_on_request,
    e.kind, e.name, e.prototype, e.design, e.designer, e.builder, e.builder_standing, e.built_year, e.gauge, e.gauge_mm, e.scale,
    e.whyte, e.fuel, e.included_items, e.working_order,
    CASE WHEN NOT l.price_on_request THEN (
        SELECT price FROM asking_prices a WHERE a.stock_no = l.stock_no ORDER BY on_day DESC, id DESC LIMIT 1
    ) END AS price,
    (SELECT jsonb_agg(jsonb_build_object('alt', p.alt, 'sizes', (
        SELECT jsonb_agg(jsonb_build_object('width', z.width, 'height', z.height, 'url', '/v1/public/photographs/' || z.file) ORDER BY z.width)
        FROM photograph_sizes z WHERE z.photograph_id = p.id
    )) ORDER BY p.place) FROM photographs p WHERE p.stock_no = l.stock_no AND p.public) AS photographs,
    (SELECT jsonb_object_agg(g.area, g.grade) FROM survey_grades g WHERE g.survey_id = (
        SELECT id FROM surveys s WHERE s.stock_no = l.stock_no ORDER BY on_day DESC, id DESC LIMIT 1
    )) AS grades
FROM listings l JOIN stock s USING (stock_no) JOIN engines e USING (stock_no)
WHERE s.listing = 'published' AND s.status = 'in_stock';
ALTER TABLE peer_listings ADD PRIMARY KEY (stock_no);
CREATE INDEX ON peer_listings (price, stock_no);
CREATE INDEX ON peer_listings (on_show_since DESC, stock_no);
CREATE INDEX ON peer_listings (gauge_mm, whyte, price);
CREATE INDEX ON peer_listings (whyte, price);
COMMIT;
ANALYZE peer_listings;
