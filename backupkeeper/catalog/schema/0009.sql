-- How many facts this catalog has let go (catalog.thinning), so that their number and this one together
-- tell whether anything was learnt. Its own: never merged.
CREATE TABLE thinned (
    no INTEGER PRIMARY KEY CHECK (no = 1),
    facts INTEGER NOT NULL CHECK (facts >= 0)
) STRICT;
INSERT INTO thinned (no, facts) VALUES (1, 0);
