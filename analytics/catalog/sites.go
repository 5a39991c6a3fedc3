package catalog

import (
	"fmt"
	"regexp"
	"slices"

	"fadeledger/analytics"
)

var siteColumns = []string{"site", "zone", "country", "region", "placement", "installer"}

// placements lists where units may stand.
var placements = []analytics.Placement{analytics.DwellingStorage, analytics.Garage, analytics.ExteriorWall, analytics.Outdoor}

// zoneName is the form of a name in the IANA time zone database: parts of
// letters, digits, - _ and + with slashes between. Whether a zone of that name
// exists depends on the database at hand, which is not known here; see
// Sites.CheckZones.
var zoneName = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_+-]*(/[A-Za-z0-9_+-]+){0,2}$`)

// Sites is what a sites.csv says, in the order of the file.
type Sites struct {
	Sites []analytics.Site

	file  string
	lines []int
}

// ParseSites reads a sites.csv; name is the file's name in the problems. Only
// site is required. An empty zone stays empty. The error is Problems; Sites is
// empty then.
func ParseSites(name string, data []byte) (Sites, error) {
	r := &report{file: name}
	out := Sites{file: name}
	seen := map[string]int{}
	for _, row := range readTable(r, data, siteColumns, 1) {
		s := analytics.Site{
			Name: row.name("site", true), Zone: row.name("zone", false),
			Country: row.name("country", false), Region: row.name("region", false),
			Placement: analytics.Placement(row.cells["placement"]), Installer: row.name("installer", false),
		}
		if s.Zone != "" && !zoneName.MatchString(s.Zone) {
			row.add(row.line, "zone", fmt.Sprintf("%q is not the name of a time zone", s.Zone), zoneRemedy)
		}
		if s.Placement != "" && !slices.Contains(placements, s.Placement) {
			row.add(row.line, "placement", fmt.Sprintf("%q is not known", s.Placement),
				"use dwelling-storage, garage, exterior-wall or outdoor, or leave it empty")
		}
		row.once("site", s.Name, seen)
		out.Sites = append(out.Sites, s)
		out.lines = append(out.lines, row.line)
	}
	if err := r.err(); err != nil {
		return Sites{}, err
	}
	return out, nil
}

const zoneRemedy = "use a name of the IANA database such as Europe/Oslo, or leave it empty for UTC"

// CheckZones reports the sites whose zone load does not know. load is the
// caller's time zone database, such as a function around time.LoadLocation.
func (s *Sites) CheckZones(load func(zone string) error) error {
	r := &report{file: s.file}
	verdicts := map[string]error{"": nil}
	for i, site := range s.Sites {
		verdict, ok := verdicts[site.Zone]
		if !ok {
			verdict = load(site.Zone)
			verdicts[site.Zone] = verdict
		}
		if verdict != nil {
			r.add(s.line(i), "zone", fmt.Sprintf("no time zone %q", site.Zone), zoneRemedy)
		}
	}
	return r.err()
}

// line gives the line of a site, 0 for one that was not parsed.
func (s *Sites) line(i int) int {
	if i < len(s.lines) {
		return s.lines[i]
	}
	return 0
}
