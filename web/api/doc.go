// Package api answers the JSON interface of the service below /api/v1: the
// ledger of each unit, the fleet, the way in, and the two doors through which
// telemetry and registrations come. It also writes the OpenAPI document that
// describes all of it, made from the Go types here.
//
// The package knows neither the database nor the broker: what it needs of them
// are the interfaces Ledger, Intake, Registrar and Broker. Errors are answered
// as application/problem+json (RFC 9457).
package api
