-- A coach's login may also erase what is its own: results, looks, attempts, leases; and say what is to be skipped from now on.
CREATE OR REPLACE FUNCTION dawnsheet.admit_coach(coach TEXT) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    EXECUTE format('GRANT USAGE ON SCHEMA dawnsheet TO %I', coach);
    EXECUTE format('GRANT SELECT ON ALL TABLES IN SCHEMA dawnsheet TO %I', coach);
    EXECUTE format('GRANT INSERT, UPDATE, DELETE ON dawnsheet.verdict, dawnsheet.forgotten TO %I', coach);
    EXECUTE format('GRANT DELETE ON dawnsheet.result, dawnsheet.seen, dawnsheet.attempt, dawnsheet.lease TO %I', coach);
END $$;

-- Those who were admitted before.
SELECT dawnsheet.admit_coach(pg_get_userbyid(a.grantee)::text)
FROM pg_class c, aclexplode(c.relacl) a
WHERE c.oid = 'dawnsheet.verdict'::regclass AND a.privilege_type = 'INSERT' AND a.grantee NOT IN (0, c.relowner);
