package broker

import (
	"errors"
	"testing"
)

func TestCheckServer(t *testing.T) {
	for version, good := range map[string]bool{
		"2.15.2": true, "2.15.3": true, "2.15.10": true, "2.16.0": true, "3.0.0": true, "2.16.0-RC.1": true, "v2.15.2": true, "2.15.2+build": true,
		"2.15.1": false, "2.14.9": false, "1.99.99": false, "2.15.2-RC.1": false, "": false, "2.15": false, "dev": false,
	} {
		if err := checkServer(version); (err == nil) != good || err != nil && !errors.Is(err, ErrServerTooOld) {
			t.Errorf("%q: %v", version, err)
		}
	}
}
