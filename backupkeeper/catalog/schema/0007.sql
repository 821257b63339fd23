-- Mails that wait for the line, and what was sent lately. This catalog's own: never merged (else two
-- machines would send the same mail), and taken out of snapshots. From and To are not in "message":
-- they are put before it when it is sent. A row that ended keeps no text.

CREATE TABLE outbox (
    no INTEGER PRIMARY KEY,
    message_id TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    thread BLOB NOT NULL,  -- what it is about
    root TEXT NOT NULL,    -- the Message-ID of the first of its thread
    subject BLOB NOT NULL,
    made_at INTEGER NOT NULL,
    next_at INTEGER NOT NULL,
    state TEXT NOT NULL,
    tries INTEGER NOT NULL,
    said BLOB NOT NULL,
    ended_at INTEGER,
    message BLOB NOT NULL
) STRICT;
CREATE INDEX outbox_by_state ON outbox (state, thread);
