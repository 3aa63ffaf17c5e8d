-- What a coach marked by hand, each time as it was, and which clips were drawn for it.
CREATE TABLE dawnsheet.ruler (
    id BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY, coach TEXT NOT NULL, owner TEXT NOT NULL, clip TEXT NOT NULL,
    kind TEXT NOT NULL, made_at TEXT NOT NULL, marks TEXT NOT NULL, by_hand TEXT NOT NULL
);
CREATE UNIQUE INDEX ruler_said ON dawnsheet.ruler (coach, owner, clip, kind, made_at);
ALTER TABLE dawnsheet.ruler ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON dawnsheet.ruler USING (coach = current_user) WITH CHECK (coach = current_user);

CREATE OR REPLACE FUNCTION dawnsheet.admit_coach(coach TEXT) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    EXECUTE format('GRANT USAGE ON SCHEMA dawnsheet TO %I', coach);
    EXECUTE format('GRANT SELECT ON ALL TABLES IN SCHEMA dawnsheet TO %I', coach);
    EXECUTE format('GRANT INSERT, UPDATE, DELETE ON dawnsheet.verdict, dawnsheet.forgotten TO %I', coach);
    EXECUTE format('GRANT INSERT, DELETE ON dawnsheet.ruler TO %I', coach);
    EXECUTE format('GRANT DELETE ON dawnsheet.result, dawnsheet.seen, dawnsheet.attempt, dawnsheet.lease TO %I', coach);
END $$;

-- Those who were admitted before.
SELECT dawnsheet.admit_coach(pg_get_userbyid(a.grantee)::text)
FROM pg_class c, aclexplode(c.relacl) a
WHERE c.oid = 'dawnsheet.verdict'::regclass AND a.privilege_type = 'INSERT' AND a.grantee NOT IN (0, c.relowner);
