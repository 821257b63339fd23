-- Kinds of trouble told apart, and readings of large files that were broken off and are taken up.

INSERT INTO ways (no, name) VALUES (7, 'part');
INSERT INTO results (no, name) VALUES (6, 'cut off'), (7, 'unstable');
