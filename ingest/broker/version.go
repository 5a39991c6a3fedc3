package broker

import (
	"errors"
	"fmt"
	"strings"
)

// MinServerVersion is the oldest server that this package works with. Those
// before lost deliveries that they had acknowledged, even where they were told
// to sync before every answer: the rewriting of a block went on without the
// sync, and a consumer that was ahead of a stream which had lost its end
// skipped what came next.
const MinServerVersion = "2.15.2"

// ErrServerTooOld: the server is older than MinServerVersion.
var ErrServerTooOld = errors.New("the broker's server is too old")

// checkServer checks the version that a server tells of itself. A pre-release
// comes before its release.
func checkServer(version string) error {
	have, release, err := parseVersion(version)
	if err != nil {
		return fmt.Errorf("%w or none of the kind: its version is %q", ErrServerTooOld, version)
	}
	want, _, err := parseVersion(MinServerVersion)
	if err != nil {
		return err
	}
	for i := range want {
		if have[i] != want[i] {
			if have[i] > want[i] {
				return nil
			}
			return tooOld(version)
		}
	}
	if !release {
		return tooOld(version)
	}
	return nil
}

func tooOld(version string) error {
	return fmt.Errorf("%w: it is %s, and before %s a server may lose what it has acknowledged; update it", ErrServerTooOld, version, MinServerVersion)
}

// parseVersion reads 2.15.2 and 2.15.2-RC.1, with or without a v in front and
// a note of the build behind +.
func parseVersion(text string) (numbers [3]int, release bool, err error) {
	text, _, _ = strings.Cut(strings.TrimPrefix(text, "v"), "+")
	text, pre, _ := strings.Cut(text, "-")
	n, err := fmt.Sscanf(text, "%d.%d.%d", &numbers[0], &numbers[1], &numbers[2])
	if err != nil || n != 3 {
		return numbers, false, fmt.Errorf("version %q: want three numbers", text)
	}
	return numbers, pre == "", nil
}
