// Package profile describes how the files and messages of one source differ
// from the plain telemetry contract: which foreign header means which field,
// in which scale and sign, in which zone its clock runs.
//
// A profile never guesses: what it does not say is read as the contract says.
// The package knows names, units and YAML; it reads no telemetry.
package profile
