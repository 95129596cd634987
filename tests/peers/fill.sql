-- Puts the engines from the :first to the :last on show into the database of a loaded demonstration, for measuring: each is a copy of an engine of the
-- demonstration that is on show, with its boiler, tests, papers and survey, under another number, name, gauge and price.
-- Run it while no service is running: it writes past the journal.
BEGIN;

CREATE TEMP TABLE made ON COMMIT DROP AS
WITH shown AS (
    SELECT s.stock_no, row_number() OVER (ORDER BY s.stock_no) - 1 AS at, count(*) OVER () AS of_all,
        (SELECT id FROM surveys WHERE stock_no = s.stock_no ORDER BY on_day DESC, id DESC LIMIT 1) AS survey_id, s.boiler_id
    FROM stock s WHERE s.listing = 'published' AND s.status = 'in_stock'
)
SELECT n, 1000 + n AS stock_no, 100000 + n AS id, shown.stock_no AS like_no, shown.survey_id, shown.boiler_id
FROM generate_series(:first, :last) n JOIN shown ON shown.at = n % shown.of_all;

INSERT INTO engines SELECT (jsonb_populate_record(e, jsonb_build_object(
    'stock_no', made.stock_no, 'notes', NULL,
    'name', (ARRAY['Alder', 'Bracken', 'Cress', 'Dunlin', 'Elder', 'Fallow', 'Gorse', 'Hazel', 'Ivy', 'Juniper'])[1 + made.n % 10]
        || (ARRAY['ford', 'combe', 'dale', 'mere', 'wick', 'thorpe', 'holt'])[1 + made.n % 7] || ' ' || made.n,
    'built_year', 1930 + made.n % 90,
    'gauge', CASE WHEN e.gauge IS NOT NULL THEN (ARRAY['3 1/2 in', '5 in', '7 1/4 in'])[1 + made.n % 3] END,
    'gauge_mm', CASE WHEN e.gauge IS NOT NULL THEN (ARRAY[88.9, 127, 184.15])[1 + made.n % 3] END,
    'whyte', CASE WHEN e.whyte IS NOT NULL THEN (ARRAY['0-4-0', '0-6-0', '2-6-2', '4-4-2', '4-6-0', '0-4-4'])[1 + made.n % 6] END
))).* FROM made JOIN engines e ON e.stock_no = made.like_no;

INSERT INTO acquisitions (stock_no, method, on_day, price, tax_position)
SELECT stock_no, 'bought', current_date - 30 - n % 700, 500 + n % 4000, 'margin_scheme' FROM made;

INSERT INTO listings SELECT (jsonb_populate_record(l, jsonb_build_object(
    'stock_no', made.stock_no, 'page_name', l.page_name || '-' || made.stock_no, 'title', l.title || ', the ' || made.n || 'th',
    'on_show_since', current_date - made.n % 400, 'price_on_request', made.n % 50 = 0
))).* FROM made JOIN listings l ON l.stock_no = made.like_no;

INSERT INTO asking_prices (stock_no, on_day, price) SELECT stock_no, current_date - n % 30, 800 + (n * 7919) % 20000 FROM made;

INSERT INTO boilers OVERRIDING SYSTEM VALUE
SELECT (jsonb_populate_record(b, jsonb_build_object('id', made.id, 'number', 'M ' || made.n))).*
FROM made JOIN boilers b ON b.id = made.boiler_id;

INSERT INTO boiler_installations (boiler_id, stock_no, installed_on)
SELECT made.id, made.stock_no, f.installed_on
FROM made JOIN boiler_installations f ON f.boiler_id = made.boiler_id AND f.stock_no = made.like_no AND f.removed_on IS NULL;

-- At most ten tests of a boiler.
CREATE TEMP TABLE tested ON COMMIT DROP AS
SELECT made.id AS boiler_id, made.n, t.id AS like_id,
    1000000 + made.n * 10 + row_number() OVER (PARTITION BY made.n ORDER BY t.id) - 1 AS id
FROM made JOIN tests t ON t.boiler_id = made.boiler_id;

INSERT INTO tests OVERRIDING SYSTEM VALUE
SELECT (jsonb_populate_record(t, jsonb_build_object('id', tested.id, 'boiler_id', tested.boiler_id, 'boiler_number', 'M ' || tested.n))).*
FROM tested JOIN tests t ON t.id = tested.like_id;

INSERT INTO certificates OVERRIDING SYSTEM VALUE
SELECT (jsonb_populate_record(c, jsonb_build_object('id', tested.id, 'boiler_id', tested.boiler_id, 'test_id', tested.id,
    'number', 'M ' || tested.id, 'boiler_number', 'M ' || tested.n))).*
FROM tested JOIN certificates c ON c.test_id = tested.like_id;

INSERT INTO surveys OVERRIDING SYSTEM VALUE
SELECT (jsonb_populate_record(s, jsonb_build_object('id', made.id, 'stock_no', made.stock_no))).*
FROM made JOIN surveys s ON s.id = made.survey_id;

INSERT INTO survey_grades SELECT made.id, g.area, g.grade FROM made JOIN survey_grades g ON g.survey_id = made.survey_id;

-- The four widths of one photograph each, without files.
INSERT INTO photographs OVERRIDING SYSTEM VALUE
SELECT id, stock_no, 1, 'Engine ' || stock_no || ' from the left, on a bench', true, current_date FROM made;

INSERT INTO photograph_sizes
SELECT id, width, width * 3 / 4, encode(sha256((id || ' ' || width)::bytea), 'hex') || '.jpg'
FROM made CROSS JOIN unnest(ARRAY[320, 800, 1600, 2560]) AS width;

SELECT setval(pg_get_serial_sequence(name, 'id'), greatest(2000000, nextval(pg_get_serial_sequence(name, 'id'))))
FROM unnest(ARRAY['boilers', 'tests', 'certificates', 'surveys', 'photographs']) AS name;
SELECT setval(pg_get_serial_sequence('engines', 'stock_no'), greatest(30000, nextval(pg_get_serial_sequence('engines', 'stock_no'))));
COMMIT;
ANALYZE;
