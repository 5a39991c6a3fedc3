// Package web serves the pages of the ledger and mounts the JSON interface of
// package web/api beside them.
//
// Pages are rendered on the server and work without JavaScript; one small
// module refreshes the parts that change by fetching a fragment of the same
// page (part=live). The package computes nothing of the ledger: it asks the
// ports in Config and puts the answers into words, tables and charts. What a
// page says about time comes from Config.Now.
package web
