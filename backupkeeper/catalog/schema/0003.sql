-- Kinds of trouble told apart, and readings of large files that were broken off and are taken up.

INSERT INTO ways (no, name) VALUES (7, 'part');
INSERT INTO results (no, name) VALUES (6, 'cut off'), (7, 'unstable');

-- Few rows: what drives damaged by themselves (damaged, unreadable, cut off, unstable), so that the
-- rolls around it are found without a walk over all facts.
CREATE INDEX harm ON facts (copy, at) WHERE result IN (2, 5, 6, 7);
