-- People, tokens, the trail of what they saw and did, and who may read which
-- rows.
--
-- Roles belong to the whole server: a second database on it finds them made.
-- fadeledger_web and fadeledger_worker can sign in once they have a password (or
-- where the server trusts a socket); the others are what the web's role turns
-- into for whoever asks. Without a principal it is left with what signing in
-- needs.

-- +goose Up
-- +goose StatementBegin
DO $$
DECLARE
    wanted text;
BEGIN
    FOREACH wanted IN ARRAY ARRAY['fadeledger_web', 'fadeledger_worker', 'fadeledger_installer',
        'fadeledger_auditor', 'fadeledger_staff', 'fadeledger_administrator'] LOOP
        BEGIN
            IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = wanted) THEN
                EXECUTE format('CREATE ROLE %I NOINHERIT %s %s', wanted,
                    CASE WHEN wanted IN ('fadeledger_web', 'fadeledger_worker') THEN 'LOGIN' ELSE 'NOLOGIN' END,
                    CASE WHEN wanted IN ('fadeledger_worker', 'fadeledger_staff', 'fadeledger_administrator') THEN 'BYPASSRLS' ELSE 'NOBYPASSRLS' END);
            END IF;
        EXCEPTION WHEN duplicate_object OR unique_violation THEN
            NULL; -- another database was quicker
        END;
    END LOOP;
    IF (SELECT count(*) FROM pg_roles
        WHERE NOT rolsuper AND (rolname IN ('fadeledger_worker', 'fadeledger_staff', 'fadeledger_administrator') AND rolbypassrls
            OR rolname IN ('fadeledger_web', 'fadeledger_installer', 'fadeledger_auditor') AND NOT rolbypassrls)) <> 6 THEN
        RAISE EXCEPTION 'the roles fadeledger_… are there, but do not see what they are made for'
            USING HINT = 'Have a superuser run deploy/roles.sql.';
    END IF;
    FOREACH wanted IN ARRAY ARRAY['fadeledger_installer', 'fadeledger_auditor', 'fadeledger_staff', 'fadeledger_administrator'] LOOP
        IF NOT EXISTS (SELECT FROM pg_auth_members WHERE roleid = wanted::regrole AND member = 'fadeledger_web'::regrole) THEN
            EXECUTE format('GRANT %I TO fadeledger_web', wanted);
        END IF;
    END LOOP;
    -- The owner of the schema can turn into them, too: for a service that is
    -- given the owner's address.
    FOREACH wanted IN ARRAY ARRAY['fadeledger_web', 'fadeledger_worker'] LOOP
        IF NOT (SELECT rolsuper FROM pg_roles WHERE rolname = current_user) AND NOT pg_has_role(current_user, wanted, 'MEMBER') THEN
            EXECUTE format('GRANT %I TO %I', wanted, current_user);
        END IF;
    END LOOP;
END $$;
-- +goose StatementEnd

CREATE TABLE person (
    person_id    bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    login        text NOT NULL CHECK (login <> ''),
    login_key    text NOT NULL GENERATED ALWAYS AS (lower(login)) STORED UNIQUE,
    name         text NOT NULL,
    email        text NOT NULL DEFAULT '',
    role         text NOT NULL CHECK (role IN ('service-manager', 'installer', 'operations', 'administrator', 'auditor')),
    organisation text NOT NULL DEFAULT '',
    password     text NOT NULL DEFAULT '', -- a hash with its salt and costs
    issuer       text NOT NULL DEFAULT '',
    subject      text NOT NULL DEFAULT '',
    created_at   bigint NOT NULL,
    last_sign_in bigint,
    disabled_at  bigint,
    -- An installer's person sees its organisation's sites, everybody else all.
    CHECK ((role = 'installer') = (organisation <> ''))
);
CREATE UNIQUE INDEX person_email ON person (lower(email)) WHERE email <> '';
CREATE UNIQUE INDEX person_identity ON person (issuer, subject) WHERE subject <> '';

-- Attempts by login, whether or not there is such a person, so that the answer
-- does not tell.
CREATE TABLE sign_in (
    login_key  text PRIMARY KEY,
    attempts   integer NOT NULL,
    last_at    bigint NOT NULL,
    wait_until bigint NOT NULL DEFAULT 0
);
CREATE INDEX sign_in_last ON sign_in (last_at);

-- Secrets are kept as SHA-256 hashes: of 32 random bytes nothing slower is
-- needed.
CREATE TABLE session (
    session_id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    hash       bytea NOT NULL UNIQUE,
    person_id  bigint REFERENCES person (person_id), -- null before somebody has signed in
    data       bytea NOT NULL,
    started_at bigint NOT NULL,
    seen_at    bigint NOT NULL,
    expires_at bigint NOT NULL,
    address    text NOT NULL,
    agent      text NOT NULL
);
CREATE INDEX session_person ON session (person_id);
CREATE INDEX session_expires ON session (expires_at);

-- One that was used is gone.
CREATE TABLE code (
    hash       bytea PRIMARY KEY,
    kind       text NOT NULL CHECK (kind IN ('first', 'invitation', 'recovery')),
    person_id  bigint REFERENCES person (person_id),
    made_by    text NOT NULL,
    created_at bigint NOT NULL,
    expires_at bigint NOT NULL,
    CHECK ((kind = 'first') = (person_id IS NULL))
);

CREATE TABLE token (
    token_id     bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    hash         bytea NOT NULL UNIQUE,
    name         text NOT NULL CHECK (name <> ''),
    rights       text[] NOT NULL,
    organisation text NOT NULL DEFAULT '',
    collector    text NOT NULL DEFAULT '',
    made_by      text NOT NULL,
    created_at   bigint NOT NULL,
    expires_at   bigint NOT NULL,
    last_used_at bigint,
    revoked_at   bigint
);

-- Who saw and changed what. The text that is hashed is kept as it is; the
-- columns beside it are read from it.
CREATE TABLE trail (
    number   bigint PRIMARY KEY,
    body     text NOT NULL,
    previous bytea NOT NULL,
    hash     bytea NOT NULL,
    who      text NOT NULL GENERATED ALWAYS AS ((body::jsonb) ->> 'who') STORED,
    deed     text NOT NULL GENERATED ALWAYS AS ((body::jsonb) ->> 'deed') STORED,
    object   text NOT NULL GENERATED ALWAYS AS ((body::jsonb) ->> 'object') STORED
);
CREATE INDEX trail_who ON trail (who, number);
CREATE INDEX trail_object ON trail (object text_pattern_ops, number);
CREATE TABLE trail_head (
    one    boolean PRIMARY KEY DEFAULT true CHECK (one),
    number bigint NOT NULL,
    hash   bytea NOT NULL
);
INSERT INTO trail_head (number, hash) VALUES (0, decode(repeat('00', 32), 'hex'));

-- +goose StatementBegin
CREATE FUNCTION trail_stays() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the trail is only ever appended to';
END $$;
-- +goose StatementEnd
CREATE TRIGGER trail_stays BEFORE UPDATE OR DELETE ON trail FOR EACH ROW EXECUTE FUNCTION trail_stays();
CREATE TRIGGER trail_is_not_emptied BEFORE TRUNCATE ON trail FOR EACH STATEMENT EXECUTE FUNCTION trail_stays();

-- Appends an entry. What is given is canonical JSON (RFC 8785) in two parts:
-- the text before the number and the one behind it. Nobody but this function
-- writes the trail, one entry at a time.
-- +goose StatementBegin
CREATE FUNCTION append_trail(before text, behind text) RETURNS bigint
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    head trail_head;
    full_body text;
    full_hash bytea;
BEGIN
    SELECT * INTO head FROM trail_head FOR UPDATE;
    full_body := before || (head.number + 1)::text || behind;
    full_hash := sha256('\x01'::bytea || head.hash || convert_to(full_body, 'UTF8'));
    INSERT INTO trail (number, body, previous, hash) VALUES (head.number + 1, full_body, head.hash, full_hash);
    UPDATE trail_head SET number = head.number + 1, hash = full_hash;
    RETURN head.number + 1;
END $$;
-- +goose StatementEnd
REVOKE ALL ON FUNCTION append_trail FROM PUBLIC;
GRANT EXECUTE ON FUNCTION append_trail TO fadeledger_web, fadeledger_worker, fadeledger_installer, fadeledger_auditor,
    fadeledger_staff, fadeledger_administrator;

-- Which units a collector may deliver; null where it is not set up.
ALTER TABLE collector ADD COLUMN taking text CHECK (taking IN ('any', 'bound', 'first-come'));
ALTER TABLE collector ADD COLUMN prefixes text[] NOT NULL DEFAULT '{}';
CREATE TABLE collector_login (
    user_name  text PRIMARY KEY,
    collector  text NOT NULL REFERENCES collector (name),
    password   text NOT NULL, -- a hash that the broker can check
    made_by    text NOT NULL,
    created_at bigint NOT NULL
);
-- The collectors that a unit is bound to.
ALTER TABLE unit ADD COLUMN bound text[] NOT NULL DEFAULT '{}';
CREATE INDEX unit_bound ON unit USING gin (bound) WHERE bound <> '{}';
-- What a first-come collector delivered of units that are not bound to it.
CREATE TABLE asking (
    unit_id    integer NOT NULL REFERENCES unit (unit_id),
    collector  text NOT NULL,
    first_at   bigint NOT NULL,
    last_at    bigint NOT NULL,
    samples    bigint NOT NULL,
    refused_at bigint,
    PRIMARY KEY (unit_id, collector)
);

-- A site belongs to the installer that it names.
ALTER TABLE site ADD COLUMN organisation text NOT NULL GENERATED ALWAYS AS (coalesce(definition ->> 'installer', '')) STORED;
CREATE INDEX site_organisation ON site (organisation);

CREATE INDEX unit_stack ON unit (stack) WHERE stack <> '';

-- Partitions are made and dropped by the worker, the table is the owner's.
-- +goose StatementBegin
CREATE FUNCTION make_run_partition(day integer) RETURNS void
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    name text := 'sample_run_' || to_char(DATE '1970-01-01' + day, 'YYYYMMDD');
    first integer := day * 24;
BEGIN
    IF to_regclass(name) IS NOT NULL THEN
        RETURN;
    END IF;
    -- Made first and attached then: that takes a weaker lock on the parent than
    -- creating it in place.
    EXECUTE format('CREATE TABLE %I (LIKE sample_run INCLUDING DEFAULTS INCLUDING CONSTRAINTS, CHECK (hour >= %s AND hour < %s))', name, first, first + 24);
    -- A run is compressed before it comes here.
    EXECUTE format('ALTER TABLE %I ALTER COLUMN body SET STORAGE EXTERNAL', name);
    EXECUTE format('GRANT SELECT, INSERT, UPDATE, DELETE ON %I TO fadeledger_worker', name);
    EXECUTE format('ALTER TABLE sample_run ATTACH PARTITION %I FOR VALUES FROM (%s) TO (%s)', name, first, first + 24);
END $$;
-- +goose StatementEnd
-- Drops a partition if it is empty, and says whether it was.
-- +goose StatementBegin
CREATE FUNCTION drop_run_partition(day integer) RETURNS boolean
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    name text := 'sample_run_' || to_char(DATE '1970-01-01' + day, 'YYYYMMDD');
    used boolean;
BEGIN
    -- Nobody may write a run between the look and the drop. The whole table
    -- comes first, as for everybody who reads it.
    EXECUTE format('LOCK TABLE ONLY sample_run, %I IN ACCESS EXCLUSIVE MODE', name);
    EXECUTE format('SELECT EXISTS (SELECT FROM %I)', name) INTO used;
    IF NOT used THEN
        EXECUTE format('DROP TABLE %I', name);
    END IF;
    RETURN NOT used;
END $$;
-- +goose StatementEnd
REVOKE ALL ON FUNCTION make_run_partition, drop_run_partition FROM PUBLIC;
GRANT EXECUTE ON FUNCTION make_run_partition TO fadeledger_worker, fadeledger_staff, fadeledger_administrator;
GRANT EXECUTE ON FUNCTION drop_run_partition TO fadeledger_worker;

-- What each role may touch.
GRANT SELECT ON model, terms, site, unit, unit_ledger, unit_standing, unit_day, excursion, unit_event, recount,
    sample_run, sample_block, sample_other, correction, placement, quarantine, stream
    TO fadeledger_installer;
GRANT SELECT ON model, terms, site, unit, unit_ledger, unit_standing, unit_day, excursion, unit_event, recount,
    sample_run, sample_block, sample_other, correction, placement, quarantine, stream,
    delivery, collector, collector_note, profile, receipt, worker, lease, alarm, asking
    TO fadeledger_auditor, fadeledger_staff, fadeledger_administrator, fadeledger_worker;
GRANT SELECT ON trail, trail_head TO fadeledger_auditor, fadeledger_administrator;
GRANT SELECT ON collector, profile, receipt, stream TO fadeledger_web;
-- Whether the schema is the one that the program was made for.
GRANT SELECT ON goose_db_version TO fadeledger_web, fadeledger_worker;
-- Counting.
GRANT INSERT, UPDATE, DELETE ON unit_ledger, unit_standing, unit_day, excursion, unit_event, recount, sample_run, sample_block,
    sample_other, stream, delivery, collector, collector_note, quarantine, receipt, alarm, asking
    TO fadeledger_worker, fadeledger_staff, fadeledger_administrator;
GRANT INSERT, UPDATE, DELETE ON worker, lease TO fadeledger_worker;
GRANT SELECT ON collector_login TO fadeledger_worker;
-- Corrections, registration, collectors.
GRANT INSERT ON correction, model, terms, site, unit, placement, profile TO fadeledger_staff, fadeledger_administrator;
GRANT UPDATE ON model, site, unit, placement TO fadeledger_staff, fadeledger_administrator;
GRANT SELECT, INSERT, DELETE ON collector_login TO fadeledger_staff, fadeledger_administrator;
-- Signing in.
GRANT SELECT ON person, sign_in, session, code, token TO fadeledger_web, fadeledger_administrator;
GRANT INSERT, UPDATE, DELETE ON sign_in, session, code TO fadeledger_web, fadeledger_administrator;
GRANT INSERT, UPDATE ON person, token TO fadeledger_administrator;
-- The first administrator, and what changes when somebody or something is let in.
GRANT INSERT, UPDATE (password, issuer, subject, last_sign_in) ON person TO fadeledger_web;
GRANT UPDATE (last_used_at) ON token TO fadeledger_web;

-- An installer's rows. Whoever reads unit below is held to the same rule, so
-- that the tables of a unit need not say it again.
CREATE FUNCTION seen_organisation() RETURNS text LANGUAGE sql STABLE
    RETURN nullif(current_setting('fadeledger.organisation', true), '');
-- +goose StatementBegin
DO $$
DECLARE
    name text;
BEGIN
    FOREACH name IN ARRAY ARRAY['site', 'unit', 'unit_ledger', 'unit_standing', 'unit_day', 'excursion', 'unit_event', 'recount',
        'sample_run', 'sample_block', 'sample_other', 'correction', 'placement', 'quarantine'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', name);
        EXECUTE format('CREATE POLICY everything ON %I FOR SELECT TO fadeledger_auditor USING (true)', name);
    END LOOP;
    FOREACH name IN ARRAY ARRAY['unit_ledger', 'unit_standing', 'unit_day', 'excursion', 'unit_event', 'recount',
        'sample_run', 'sample_block', 'sample_other', 'correction'] LOOP
        EXECUTE format('CREATE POLICY organisation ON %1$I FOR SELECT TO fadeledger_installer
            USING (EXISTS (SELECT FROM unit u WHERE u.unit_id = %1$I.unit_id))', name);
    END LOOP;
    FOR name IN SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = 'sample_run'::regclass LOOP
        EXECUTE format('GRANT SELECT, INSERT, UPDATE, DELETE ON %s TO fadeledger_worker', name);
    END LOOP;
END $$;
-- +goose StatementEnd
CREATE POLICY organisation ON site FOR SELECT TO fadeledger_installer USING (organisation = (SELECT seen_organisation()));
CREATE POLICY organisation ON unit FOR SELECT TO fadeledger_installer
    USING (site IN (SELECT s.name FROM site s WHERE s.organisation = (SELECT seen_organisation())));
-- Where a unit was before it came to the organisation is not the organisation's.
CREATE POLICY organisation ON placement FOR SELECT TO fadeledger_installer
    USING (EXISTS (SELECT FROM unit u WHERE u.unit_id = placement.unit_id)
        AND (site IS NULL OR site IN (SELECT s.name FROM site s)));
CREATE POLICY organisation ON quarantine FOR SELECT TO fadeledger_installer
    USING (serial IN (SELECT u.serial FROM unit u));

-- +goose Down
-- +goose StatementBegin
DO $$
DECLARE
    name text;
BEGIN
    FOREACH name IN ARRAY ARRAY['site', 'unit', 'unit_ledger', 'unit_standing', 'unit_day', 'excursion', 'unit_event', 'recount',
        'sample_run', 'sample_block', 'sample_other', 'correction', 'placement', 'quarantine'] LOOP
        EXECUTE format('DROP POLICY everything ON %I', name);
        EXECUTE format('DROP POLICY IF EXISTS organisation ON %I', name);
        EXECUTE format('ALTER TABLE %I DISABLE ROW LEVEL SECURITY', name);
    END LOOP;
END $$;
-- +goose StatementEnd
DROP FUNCTION seen_organisation;
DROP FUNCTION drop_run_partition;
DROP FUNCTION make_run_partition;
ALTER TABLE site DROP COLUMN organisation;
DROP INDEX unit_stack;
DROP TABLE asking;
ALTER TABLE unit DROP COLUMN bound;
DROP TABLE collector_login;
ALTER TABLE collector DROP COLUMN prefixes;
ALTER TABLE collector DROP COLUMN taking;
DROP FUNCTION append_trail;
DROP TABLE trail_head;
DROP TABLE trail;
DROP FUNCTION trail_stays;
DROP TABLE token;
DROP TABLE code;
DROP TABLE session;
DROP TABLE sign_in;
DROP TABLE person;
REVOKE ALL ON ALL TABLES IN SCHEMA public FROM fadeledger_web, fadeledger_worker, fadeledger_installer, fadeledger_auditor,
    fadeledger_staff, fadeledger_administrator;
