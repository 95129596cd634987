WITH made AS (
    INSERT INTO keys (name, role, person, expires_on, secret_sha256) VALUES ($1, $2, $3, $4, $5) RETURNING id, role
),
entry AS (
    INSERT INTO journal (type, on_day, key_id, data)
    SELECT 'key.created', $6, id, jsonb_build_object('key_id', id, 'role', role) FROM made
)
SELECT id FROM made
