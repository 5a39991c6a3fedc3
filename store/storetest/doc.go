// Package storetest gives tests databases of a real Postgres: a fresh one for
// each test, already migrated, dropped when the test ends.
//
// All test processes of one user share one private server. The first to need it
// starts a keeper (package keeper beside this one) in the background; the
// keeper ends the server a minute after the last test let go of it. When
// FADELEDGER_TEST_DATABASE_URL is set, that server (Postgres 15 or later, and a
// superuser, since the schema makes roles) is used instead and nothing is started.
//
// A test never skips for want of a database. It fails, saying what to install.
//
//	<tmp>/fadeledger-test-<uid>/
//	  start.lock    held while one process decides whether to start a keeper
//	  users.lock    held shared by each test that has a database; the keeper
//	                takes it exclusively before it stops the server
//	  keeper.lock   held by the keeper for its life
//	  server.url    written by the keeper once the server is ready
//	  keeper.log    what the keeper and the server said
//	  pg/           the cluster, made anew by each keeper: it does not fsync
//
// Only tests may import it.
package storetest
