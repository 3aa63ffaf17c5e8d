-- A result keeps the newest job that made it: what was planned before that job does not write over it.
ALTER TABLE dawnsheet.result ADD COLUMN job BIGINT NOT NULL DEFAULT 0;
