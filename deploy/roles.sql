-- The roles of the service, for a server on which its migrations do not run as a
-- superuser. Run once by a superuser, with the owner of the schema in the place
-- of OWNER:
--
--   psql -v owner=OWNER -f deploy/roles.sql
--
-- Then give the two that sign in passwords (\password fadeledger_web), and name
-- them in the addresses of `serve` and `work`.
CREATE ROLE fadeledger_web LOGIN NOINHERIT;
CREATE ROLE fadeledger_worker LOGIN NOINHERIT BYPASSRLS;
CREATE ROLE fadeledger_installer NOINHERIT;
CREATE ROLE fadeledger_auditor NOINHERIT;
CREATE ROLE fadeledger_staff NOINHERIT BYPASSRLS;
CREATE ROLE fadeledger_administrator NOINHERIT BYPASSRLS;
GRANT fadeledger_installer, fadeledger_auditor, fadeledger_staff, fadeledger_administrator TO fadeledger_web;
GRANT fadeledger_web, fadeledger_worker TO :"owner";
