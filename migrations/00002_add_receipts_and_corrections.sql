-- Receipts, corrections, leases that end, alarms, and days that are counted by
-- themselves.

-- +goose Up
-- The day of the sample that ended the episode: when that day is counted again,
-- its episodes are.
ALTER TABLE excursion ADD COLUMN ended_on integer NOT NULL DEFAULT 0;
ALTER TABLE excursion ALTER COLUMN ended_on DROP DEFAULT;
-- What the state holds, and how many versions of samples were delivered, so that
-- the books can be added up without reading states.
ALTER TABLE unit_ledger ADD COLUMN samples bigint NOT NULL DEFAULT 0;
ALTER TABLE unit_ledger ADD COLUMN versions bigint NOT NULL DEFAULT 0;
UPDATE unit_ledger l
SET samples = k.samples, versions = k.samples + k.others
FROM (
    SELECT u.unit_id,
        coalesce((SELECT sum(r.samples) FROM sample_run r WHERE r.unit_id = u.unit_id), 0)
            + coalesce((SELECT sum(b.samples) FROM sample_block b WHERE b.unit_id = u.unit_id), 0) AS samples,
        (SELECT count(*) FROM sample_other o WHERE o.unit_id = u.unit_id) AS others
    FROM unit u) AS k
WHERE k.unit_id = l.unit_id;
ALTER TABLE recount ADD COLUMN days integer NOT NULL DEFAULT 0;

-- Corrections hold for their whole span, for what came before them and for what
-- comes later. They are never changed or deleted.
CREATE TABLE correction (
    correction_id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    unit_id       integer NOT NULL REFERENCES unit (unit_id),
    from_at       bigint NOT NULL,
    to_at         bigint NOT NULL,
    made_at       bigint NOT NULL,
    made_by       text NOT NULL,
    why           text NOT NULL,
    samples       integer NOT NULL,
    body          bytea NOT NULL, -- blocks of a day each, with their lengths
    CHECK (from_at < to_at)
);
ALTER TABLE correction ALTER COLUMN body SET STORAGE EXTERNAL;
CREATE INDEX correction_unit ON correction (unit_id, from_at);

-- The numbers of a collector's deliveries that are committed.
CREATE TABLE receipt (
    collector text NOT NULL,
    series    text NOT NULL,
    committed int8multirange NOT NULL,
    first_at  bigint NOT NULL,
    last_at   bigint NOT NULL,
    PRIMARY KEY (collector, series)
) WITH (fillfactor = 60);
CREATE INDEX receipt_recent ON receipt (last_at DESC);

-- When the stream was last found to have lost its end. What was counted before
-- that says nothing about what the stream must hold.
ALTER TABLE stream ADD COLUMN rolled_back_at bigint NOT NULL DEFAULT 0;
-- Up to which delivery everything that is acknowledged was found recorded. It
-- goes back with the database that is restored, and what is behind it is looked
-- at again.
ALTER TABLE stream ADD COLUMN checked_sequence bigint NOT NULL DEFAULT 0;
ALTER TABLE stream ADD COLUMN checked_hash bytea NOT NULL DEFAULT '';

-- Who reads which partition of the stream, until when by the database's clock.
-- A lease saves work; what keeps the ledger right are the locks and records of
-- the transactions.
CREATE TABLE worker (
    name    text PRIMARY KEY,
    seen_at timestamptz NOT NULL
);
CREATE TABLE lease (
    partition integer PRIMARY KEY,
    worker    text NOT NULL,
    until     timestamptz NOT NULL,
    taken     bigint NOT NULL DEFAULT 1 -- how often it changed hands
);

-- What somebody has to look at.
CREATE TABLE alarm (
    alarm_id   bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    kind       text NOT NULL,
    subject    text NOT NULL,
    message    text NOT NULL,
    raised_at  bigint NOT NULL,
    last_at    bigint NOT NULL,
    times      bigint NOT NULL DEFAULT 1,
    cleared_at bigint,
    cleared_by text
);
CREATE UNIQUE INDEX alarm_open ON alarm (kind, subject) WHERE cleared_at IS NULL;

-- Where a unit was, since when. A unit that moves keeps its ledger.
CREATE TABLE placement (
    unit_id  integer NOT NULL,
    since    bigint NOT NULL,
    stack    text NOT NULL,
    site     text,
    position integer NOT NULL,
    PRIMARY KEY (unit_id, since)
);
-- Since when those are where they are is not known.
INSERT INTO placement (unit_id, since, stack, site, position)
SELECT unit_id, 0, stack, site, position FROM unit;

-- +goose Down
DROP TABLE placement;
DROP TABLE alarm;
DROP TABLE lease;
DROP TABLE worker;
DROP TABLE receipt;
DROP TABLE correction;
ALTER TABLE stream DROP COLUMN checked_hash;
ALTER TABLE stream DROP COLUMN checked_sequence;
ALTER TABLE stream DROP COLUMN rolled_back_at;
ALTER TABLE recount DROP COLUMN days;
ALTER TABLE unit_ledger DROP COLUMN versions;
ALTER TABLE unit_ledger DROP COLUMN samples;
ALTER TABLE excursion DROP COLUMN ended_on;
