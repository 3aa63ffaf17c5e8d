CREATE SCHEMA IF NOT EXISTS dawnsheet;
CREATE TABLE dawnsheet.schema_version (version INTEGER PRIMARY KEY);

CREATE TABLE dawnsheet.seen (
    coach TEXT NOT NULL, sha256 TEXT NOT NULL, model_sha256 TEXT NOT NULL, engine TEXT NOT NULL, made_at TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (coach, sha256)
);
CREATE TABLE dawnsheet.result (
    coach TEXT NOT NULL, owner TEXT NOT NULL, clip TEXT NOT NULL, key TEXT NOT NULL, sha256 TEXT NOT NULL, file TEXT NOT NULL,
    student TEXT, captured TEXT, identity TEXT NOT NULL, report TEXT NOT NULL, judged_at TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (coach, owner, clip)
);
CREATE INDEX result_bytes ON dawnsheet.result (coach, sha256);
CREATE TABLE dawnsheet.attempt (
    id BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY, coach TEXT NOT NULL, sha256 TEXT NOT NULL, key TEXT NOT NULL,
    ended_at TEXT COLLATE "C" NOT NULL, outcome TEXT NOT NULL, stderr TEXT NOT NULL, timings TEXT NOT NULL, clip TEXT NOT NULL,
    file TEXT NOT NULL, owner TEXT NOT NULL, seconds DOUBLE PRECISION NOT NULL
);
CREATE INDEX attempt_clip ON dawnsheet.attempt (coach, owner, clip);
CREATE INDEX attempt_ended ON dawnsheet.attempt (ended_at);
CREATE INDEX attempt_failed ON dawnsheet.attempt (coach, key) WHERE outcome <> 'done';
CREATE TABLE dawnsheet.verdict (
    id BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY, coach TEXT NOT NULL, owner TEXT NOT NULL, clip TEXT NOT NULL,
    fault TEXT NOT NULL, ours TEXT NOT NULL, agrees INTEGER NOT NULL, note TEXT NOT NULL, made_at TEXT NOT NULL
);
CREATE INDEX verdict_clip ON dawnsheet.verdict (coach, owner, clip);
CREATE TABLE dawnsheet.forgotten (
    coach TEXT NOT NULL, digest TEXT NOT NULL, why TEXT NOT NULL, forgotten_at TEXT NOT NULL, PRIMARY KEY (coach, digest)
);
CREATE TABLE dawnsheet.note (coach TEXT NOT NULL, name TEXT NOT NULL, value TEXT NOT NULL, PRIMARY KEY (coach, name));
CREATE TABLE dawnsheet.lease (
    coach TEXT NOT NULL, owner TEXT NOT NULL, clip TEXT NOT NULL, job BIGINT NOT NULL, attempt INTEGER NOT NULL,
    PRIMARY KEY (coach, owner, clip)
);

-- A coach's login sees and changes the rows that carry its name. The owner of the tables (workers) sees all.
DO $$
DECLARE name TEXT;
BEGIN
    FOREACH name IN ARRAY ARRAY['seen', 'result', 'attempt', 'verdict', 'forgotten', 'note', 'lease'] LOOP
        EXECUTE format('ALTER TABLE dawnsheet.%I ENABLE ROW LEVEL SECURITY', name);
        EXECUTE format('CREATE POLICY own ON dawnsheet.%I USING (coach = current_user) WITH CHECK (coach = current_user)', name);
    END LOOP;
END $$;

-- SELECT dawnsheet.admit_coach('mira') gives a login the right to read its results and to keep its verdicts, no more.
CREATE FUNCTION dawnsheet.admit_coach(coach TEXT) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    EXECUTE format('GRANT USAGE ON SCHEMA dawnsheet TO %I', coach);
    EXECUTE format('GRANT SELECT ON ALL TABLES IN SCHEMA dawnsheet TO %I', coach);
    EXECUTE format('GRANT INSERT, UPDATE, DELETE ON dawnsheet.verdict TO %I', coach);
END $$;
REVOKE EXECUTE ON FUNCTION dawnsheet.admit_coach(TEXT) FROM PUBLIC;
