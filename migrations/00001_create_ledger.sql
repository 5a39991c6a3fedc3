-- The ledger: what is registered, what was counted, what was delivered.
-- Every instant is a bigint of milliseconds since 1970-01-01T00:00:00Z and
-- every energy a bigint of microwatt-hours, so that nothing depends on a
-- session's time zone or on the order in which floats are added.

-- +goose Up
CREATE TABLE model (
    name       text PRIMARY KEY,
    definition jsonb NOT NULL
);

-- An edition of terms never changes once it is registered.
CREATE TABLE terms (
    name       text PRIMARY KEY,
    model      text NOT NULL REFERENCES model (name),
    definition jsonb NOT NULL
);

CREATE TABLE site (
    name       text PRIMARY KEY,
    definition jsonb NOT NULL
);

CREATE TABLE unit (
    unit_id      integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    serial       text NOT NULL,
    model        text NOT NULL REFERENCES model (name),
    stack        text NOT NULL DEFAULT '',
    site         text REFERENCES site (name),
    shipped      integer, -- days since 1970-01-01
    commissioned integer,
    terms        text REFERENCES terms (name),
    position     integer NOT NULL DEFAULT 0
);
-- text_pattern_ops serves the search by the beginning of a serial.
CREATE UNIQUE INDEX unit_serial ON unit (serial text_pattern_ops);
CREATE INDEX unit_site ON unit (site);

-- One row a unit, rewritten by every transaction that counts its samples. No
-- column but the key is indexed and the pages keep room, so that updates stay
-- on their page.
CREATE TABLE unit_ledger (
    unit_id      integer PRIMARY KEY REFERENCES unit (unit_id),
    state        bytea NOT NULL DEFAULT '',
    newest_known bigint,           -- newest instant of any version
    duplicates   bigint NOT NULL DEFAULT 0,
    conflicts    bigint NOT NULL DEFAULT 0,
    superseded   bigint NOT NULL DEFAULT 0,
    changed_at   bigint NOT NULL DEFAULT 0
) WITH (fillfactor = 60);

-- What pages sort and filter by: it depends on the clock as well as on the
-- ledger, so it is refreshed apart, and written only when it changes.
CREATE TABLE unit_standing (
    unit_id       integer PRIMARY KEY REFERENCES unit (unit_id),
    as_of         bigint NOT NULL,
    ledger_at     bigint NOT NULL, -- unit_ledger.changed_at that it rests on
    samples       bigint NOT NULL,
    first_at      bigint,
    last_at       bigint,
    charge        bigint NOT NULL,
    discharge     bigint NOT NULL,
    efc           double precision NOT NULL,
    spent         double precision,
    pace          double precision,
    governing     text NOT NULL,
    ends_on       integer,
    coverage      double precision NOT NULL,
    cold_episodes bigint NOT NULL,
    cold_charge   bigint NOT NULL,
    coldest       integer,
    flags         text[] NOT NULL,
    -- Units without a value come last in every order of the list.
    pace_key      double precision NOT NULL GENERATED ALWAYS AS (coalesce(pace, -1)) STORED,
    spent_key     double precision NOT NULL GENERATED ALWAYS AS (coalesce(spent, -1)) STORED,
    last_key      bigint NOT NULL GENERATED ALWAYS AS (coalesce(last_at, -1)) STORED
);
CREATE INDEX unit_standing_pace ON unit_standing (pace_key DESC, unit_id);
CREATE INDEX unit_standing_spent ON unit_standing (spent_key DESC, unit_id);
CREATE INDEX unit_standing_efc ON unit_standing (efc DESC, unit_id);
CREATE INDEX unit_standing_cold ON unit_standing (cold_charge DESC, unit_id);
CREATE INDEX unit_standing_coverage ON unit_standing (coverage, unit_id);
CREATE INDEX unit_standing_last ON unit_standing (last_key DESC, unit_id);
-- One small index a flag serves both its count and its list.
CREATE INDEX unit_standing_ahead ON unit_standing (pace_key DESC, unit_id) WHERE 'ahead' = ANY (flags);
CREATE INDEX unit_standing_is_cold ON unit_standing (pace_key DESC, unit_id) WHERE 'cold' = ANY (flags);
CREATE INDEX unit_standing_silent ON unit_standing (pace_key DESC, unit_id) WHERE 'silent' = ANY (flags);
CREATE INDEX unit_standing_thin ON unit_standing (pace_key DESC, unit_id) WHERE 'thin' = ANY (flags);

-- Complete days. The day that is still open lives in unit_ledger.state. Tables
-- that every transaction fills refer to units without a foreign key: its check
-- a row costs a third of the transaction, units are never deleted, and the rows
-- are written under the lock of their unit's ledger.
CREATE TABLE unit_day (
    unit_id   integer NOT NULL,
    day       integer NOT NULL,
    samples   bigint NOT NULL,
    covered   bigint NOT NULL,
    charge    bigint NOT NULL,
    discharge bigint NOT NULL,
    detail    bytea NOT NULL,
    PRIMARY KEY (unit_id, day)
);

CREATE TABLE excursion (
    unit_id   integer NOT NULL,
    start_at  bigint NOT NULL,
    kind      smallint NOT NULL,
    end_at    bigint NOT NULL,
    samples   bigint NOT NULL,
    min_temp  integer,
    max_temp  integer,
    peak      bigint NOT NULL,
    allowed   bigint NOT NULL,
    charge    bigint NOT NULL,
    discharge bigint NOT NULL,
    ending    smallint NOT NULL,
    PRIMARY KEY (unit_id, start_at, kind)
);

CREATE TABLE unit_event (
    unit_id integer NOT NULL,
    at      bigint NOT NULL,
    field   text NOT NULL,
    kind    text NOT NULL,
    PRIMARY KEY (unit_id, at, field, kind)
);

CREATE TABLE recount (
    recount_id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    unit_id    integer NOT NULL,
    at         bigint NOT NULL,
    from_at    bigint NOT NULL,
    reason     text NOT NULL
);
CREATE INDEX recount_unit ON recount (unit_id, recount_id DESC);

-- Samples, first tier: short runs of consecutive samples as they arrive. The
-- index leads with the hour, because a key that leads with the unit writes a
-- full page image for every row after each checkpoint. A run never crosses a
-- UTC day; a partition holds one day and is dropped once it is sealed.
CREATE TABLE sample_run (
    hour    integer NOT NULL, -- hours since 1970-01-01
    unit_id integer NOT NULL,
    t0      bigint NOT NULL,
    t1      bigint NOT NULL,
    samples integer NOT NULL,
    body    bytea NOT NULL
) PARTITION BY RANGE (hour);
CREATE INDEX sample_run_hour ON sample_run (hour, unit_id);

-- Samples, second tier: blocks of a unit, at most a UTC day long. Blocks and
-- runs of one unit never overlap in time.
CREATE TABLE sample_block (
    unit_id integer NOT NULL,
    t0      bigint NOT NULL,
    t1      bigint NOT NULL,
    samples integer NOT NULL,
    sealed  boolean NOT NULL, -- the only block of its day
    body    bytea NOT NULL,
    PRIMARY KEY (unit_id, t0)
);
-- Bodies are compressed before they come here.
ALTER TABLE sample_block ALTER COLUMN body SET STORAGE EXTERNAL;
CREATE INDEX sample_block_open ON sample_block ((t0 / 86400000), unit_id) WHERE NOT sealed;

-- Versions of samples that do not count: in dispute, or superseded by a source
-- of higher rank.
CREATE TABLE sample_other (
    other_id bigint GENERATED ALWAYS AS IDENTITY,
    unit_id  integer NOT NULL,
    at       bigint NOT NULL,
    body     bytea NOT NULL,
    disputed boolean NOT NULL,
    -- Where the version came from; not known of one that counted before.
    collector text,
    sequence  bigint,
    line      integer,
    stored_at bigint,
    PRIMARY KEY (unit_id, at, body)
);
CREATE INDEX sample_other_disputed ON sample_other (other_id) WHERE disputed;

CREATE TABLE stream (
    stream_id smallint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name      text NOT NULL UNIQUE
);

-- Every delivery that was counted, by its place in the stream and the hash of
-- its bytes: a redelivery is recognised by both, because a stream that lost
-- its end gives the same sequence numbers to other messages.
CREATE TABLE delivery (
    stream_id   smallint NOT NULL,
    sequence    bigint NOT NULL,
    hash        bytea NOT NULL,
    collector   text NOT NULL,
    batch       text NOT NULL,
    stored_at   bigint NOT NULL,
    counted_at  bigint NOT NULL,
    read        bigint NOT NULL,
    accepted    bigint NOT NULL,
    duplicates  bigint NOT NULL,
    disputed    bigint NOT NULL,
    superseded  bigint NOT NULL,
    quarantined bigint NOT NULL,
    CHECK (read = accepted + duplicates + disputed + superseded + quarantined),
    PRIMARY KEY (stream_id, sequence, hash)
);
CREATE INDEX delivery_counted ON delivery USING brin (counted_at) WITH (pages_per_range = 16);
CREATE INDEX delivery_batch ON delivery (collector, batch) WHERE batch <> '';

CREATE TABLE collector (
    name           text PRIMARY KEY,
    profile_hash   bytea,
    deliveries     bigint NOT NULL DEFAULT 0,
    read           bigint NOT NULL DEFAULT 0,
    accepted       bigint NOT NULL DEFAULT 0,
    duplicates     bigint NOT NULL DEFAULT 0,
    disputed       bigint NOT NULL DEFAULT 0,
    superseded     bigint NOT NULL DEFAULT 0,
    quarantined    bigint NOT NULL DEFAULT 0,
    last_stored_at bigint NOT NULL DEFAULT 0
);

-- What was accepted of a collector's deliveries and is still worth telling, such
-- as a sign that seems to be flipped.
CREATE TABLE collector_note (
    collector text NOT NULL,
    code      text NOT NULL,
    detail    text NOT NULL,
    words     text NOT NULL,
    times     bigint NOT NULL,
    first_at  bigint NOT NULL,
    last_at   bigint NOT NULL,
    PRIMARY KEY (collector, code, detail)
);

CREATE TABLE profile (
    hash bytea PRIMARY KEY,
    body text NOT NULL
);

CREATE TABLE quarantine (
    quarantine_id    bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    stream_id        smallint NOT NULL REFERENCES stream (stream_id),
    sequence         bigint NOT NULL,
    collector        text NOT NULL,
    batch            text NOT NULL,
    line             integer NOT NULL,
    field            text NOT NULL,
    reason           text NOT NULL,
    message          text NOT NULL,
    remedy           text NOT NULL,
    serial           text NOT NULL,
    content_type     text NOT NULL,
    content_encoding text NOT NULL DEFAULT '',
    header           bytea NOT NULL, -- what the row needs to be read alone
    raw              bytea NOT NULL,
    -- Rows that could be read but not counted (an unknown unit, a time in the
    -- future) are kept together as a block of samples, ready to be released.
    rows             integer NOT NULL DEFAULT 1,
    samples          bytea,
    stored_at        bigint NOT NULL,
    released_at      bigint
);
CREATE INDEX quarantine_open ON quarantine (reason, quarantine_id) WHERE released_at IS NULL;
CREATE INDEX quarantine_serial ON quarantine (serial, quarantine_id) WHERE released_at IS NULL;

-- +goose Down
DROP TABLE quarantine;
DROP TABLE profile;
DROP TABLE collector_note;
DROP TABLE collector;
DROP TABLE delivery;
DROP TABLE stream;
DROP TABLE sample_other;
DROP TABLE sample_block;
DROP TABLE sample_run;
DROP TABLE recount;
DROP TABLE unit_event;
DROP TABLE excursion;
DROP TABLE unit_day;
DROP TABLE unit_standing;
DROP TABLE unit_ledger;
DROP TABLE unit;
DROP TABLE site;
DROP TABLE terms;
DROP TABLE model;
