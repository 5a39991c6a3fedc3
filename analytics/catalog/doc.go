// Package catalog reads and writes the files that describe what is looked
// after: models.yaml (models and terms), units.csv and sites.csv.
//
// It is pure: bytes in, values and problems out. It opens no file, asks no
// clock and knows no time zones. Numbers are turned from their decimal text
// into the integers of package analytics without a float in between; what has
// more digits than the integer holds is rounded half away from zero. The
// suffix of a key decides the unit (rated_kwh or rated_wh, cell_temp_c or
// cell_temp_f), never the size of the number.
//
// Parsing is strict. A key that is not known is refused, and all problems of a
// file are reported at once as Problems, each with its line and a remedy.
package catalog
