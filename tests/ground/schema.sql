-- The text of api/src/schema.rs, read from the catalogue of a migrated database: one row a line.
WITH relations AS (
    SELECT c.oid, c.relname, c.relkind, obj_description(c.oid) AS words
    FROM pg_class c
    WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'v') AND c.relname NOT LIKE '\_\_%'
),
columns AS (
    SELECT r.relname, a.attnum, a.attname, col_description(r.oid, a.attnum) AS words,
        CASE WHEN a.attname = 'type' THEN 'type_' ELSE a.attname END AS name,
        CASE WHEN r.relkind = 'v' AND a.attname IN ('boiler_id', 'asking_price', 'listing', 'public_price', 'reserved_until') OR r.relkind = 'r' AND NOT a.attnotnull
            THEN 'Nullable<' || t.name || '>' ELSE t.name END AS type
    FROM relations r
    JOIN pg_attribute a ON a.attrelid = r.oid AND a.attnum > 0 AND NOT a.attisdropped
    CROSS JOIN LATERAL (
        SELECT CASE format_type(a.atttypid, NULL) WHEN 'integer' THEN 'Int4' WHEN 'bigint' THEN 'Int8' WHEN 'text' THEN 'Text'
            WHEN 'boolean' THEN 'Bool' WHEN 'date' THEN 'Date' WHEN 'numeric' THEN 'Numeric' WHEN 'bytea' THEN 'Bytea'
            WHEN 'uuid' THEN 'Uuid' WHEN 'timestamp with time zone' THEN 'Timestamptz' WHEN 'time without time zone' THEN 'Time'
            WHEN 'jsonb' THEN 'Jsonb' WHEN 'text[]' THEN 'Array<Text>' WHEN 'numeric[]' THEN 'Array<Numeric>' WHEN 'integer[]' THEN 'Array<Int4>' WHEN 'bigint[]' THEN 'Array<Int8>' ELSE format_type(a.atttypid, NULL) END AS name
    ) t
),
keys AS (
    SELECT r.relname, coalesce(string_agg(a.attname, ', ' ORDER BY array_position(i.indkey::int[], a.attnum::int)), 'stock_no') AS names
    FROM relations r
    LEFT JOIN pg_index i ON i.indrelid = r.oid AND i.indisprimary
    LEFT JOIN pg_attribute a ON a.attrelid = r.oid AND a.attnum = ANY (i.indkey)
    GROUP BY r.relname
),
links AS (
    SELECT min(child.relname) AS child, min(parent.relname) AS parent, min(a.attname) AS name
    FROM pg_constraint c
    JOIN relations child ON child.oid = c.conrelid
    JOIN relations parent ON parent.oid = c.confrelid AND parent.oid <> child.oid
    JOIN pg_attribute a ON a.attrelid = c.conrelid AND a.attnum = c.conkey[1]
    WHERE c.contype = 'f'
    GROUP BY child.oid, parent.oid
    HAVING count(*) = 1
),
-- What one query may name: tables with a foreign key between them, and these. All with all would take the compiler a minute.
pairs AS (
    SELECT least(child, parent) AS one, greatest(child, parent) AS other FROM links
    UNION VALUES ('deposit_returns', 'payments'), ('deposit_returns', 'reservations'), ('engines', 'stock'), ('firm', 'keys'),
        ('listings', 'stock'), ('payments', 'reservations')
),
lines AS (
    SELECT 1 AS part, relname, 0 AS n, 'diesel::table! {' AS line FROM relations
    UNION ALL SELECT 1, relname, 1, '    /// ' || words FROM relations
    UNION ALL SELECT 1, relname, 2, '    ' || relname || ' (' || names || ') {' FROM keys
    UNION ALL SELECT 1, relname, 10 * attnum, '        /// ' || words FROM columns WHERE words IS NOT NULL
    UNION ALL SELECT 1, relname, 10 * attnum + 1, '        #[sql_name = "type"]' FROM columns WHERE name <> attname
    UNION ALL SELECT 1, relname, 10 * attnum + 2, '        ' || name || ' -> ' || type || ',' FROM columns
    UNION ALL SELECT 1, relname, 10000, '    }' FROM relations
    UNION ALL SELECT 1, relname, 10001, '}' FROM relations
    UNION ALL SELECT 1, relname, 10002, '' FROM relations
    UNION ALL SELECT 2, child, 0, 'diesel::joinable!(' || child || ' -> ' || parent || ' (' || name || '));' FROM links
    UNION ALL SELECT 3, '', 0, ''
    UNION ALL SELECT 4, one, 0, 'diesel::allow_tables_to_appear_in_same_query!(' || one || ', ' || other || ');' FROM pairs
)
SELECT line FROM lines ORDER BY part, relname COLLATE "C", n, line;
