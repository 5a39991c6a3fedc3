// Package deploy holds what is needed to run fadeledger: container, compose and
// service files and the settings of the database and the broker. It has no Go
// code but the tests that keep those files honest.
package deploy
