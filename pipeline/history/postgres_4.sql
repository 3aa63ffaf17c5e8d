-- A verdict is what was said of one fault of one clip at one moment: told again it is the same one.
DELETE FROM dawnsheet.verdict a USING dawnsheet.verdict b
WHERE a.id > b.id AND a.coach = b.coach AND a.owner = b.owner AND a.clip = b.clip AND a.fault = b.fault AND a.made_at = b.made_at;
CREATE UNIQUE INDEX verdict_said ON dawnsheet.verdict (coach, owner, clip, fault, made_at);
