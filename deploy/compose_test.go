package deploy_test

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
)

// composeFile is the part of the compose format that the file uses.
type composeFile struct {
	Services map[string]service `yaml:"services"`
	Volumes  map[string]any     `yaml:"volumes"`
}

type service struct {
	Image string `yaml:"image"`
	Build struct {
		Context    string `yaml:"context"`
		Dockerfile string `yaml:"dockerfile"`
	} `yaml:"build"`
	Command     []string          `yaml:"command"`
	Environment map[string]string `yaml:"environment"`
	Volumes     []string          `yaml:"volumes"`
	Ports       []string          `yaml:"ports"`
	ReadOnly    bool              `yaml:"read_only"`
	CapDrop     []string          `yaml:"cap_drop"`
	Restart     string            `yaml:"restart"`
	Healthcheck struct {
		Test []string `yaml:"test"`
	} `yaml:"healthcheck"`
	DependsOn map[string]struct {
		Condition string `yaml:"condition"`
	} `yaml:"depends_on"`
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func readCompose(t *testing.T) composeFile {
	t.Helper()
	var c composeFile
	if err := yaml.Unmarshal([]byte(readFile(t, "../docker-compose.yml")), &c); err != nil {
		t.Fatal(err)
	}
	return c
}

func TestComposeServices(t *testing.T) {
	t.Parallel()
	c := readCompose(t)
	ours := map[string]string{"migrate": "migrate", "worker": "work", "web": "serve"}
	for _, name := range []string{"postgres", "nats", "migrate", "worker", "web"} {
		s, ok := c.Services[name]
		if !ok {
			t.Errorf("service %s is missing", name)
			continue
		}
		if name != "migrate" && len(s.Healthcheck.Test) == 0 {
			t.Errorf("%s has no health check", name)
		}
		command, own := ours[name]
		if !own {
			continue
		}
		if s.Command[0] != command {
			t.Errorf("%s runs %q, want %q", name, s.Command, command)
		}
		if !s.ReadOnly || !slices.Equal(s.CapDrop, []string{"ALL"}) {
			t.Errorf("%s is not hardened: read_only %v, cap_drop %q", name, s.ReadOnly, s.CapDrop)
		}
	}
	if got := c.Services["migrate"].Restart; got != "no" {
		t.Errorf("migrate restarts %q: it must run once", got)
	}
}

// What a service waits for must exist, and be something that can happen.
func TestComposeOrder(t *testing.T) {
	t.Parallel()
	c := readCompose(t)
	for name, s := range c.Services {
		for other, on := range s.DependsOn {
			target, ok := c.Services[other]
			switch {
			case !ok:
				t.Errorf("%s waits for %s, which is not there", name, other)
			case on.Condition == "service_healthy" && len(target.Healthcheck.Test) == 0:
				t.Errorf("%s waits for %s to be healthy, which has no health check", name, other)
			case on.Condition == "service_completed_successfully" && target.Restart != "no":
				t.Errorf("%s waits for %s to end, which restarts", name, other)
			}
		}
	}
	for _, name := range []string{"worker", "web"} {
		if got := c.Services[name].DependsOn["migrate"].Condition; got != "service_completed_successfully" {
			t.Errorf("%s does not wait for the schema: %q", name, got)
		}
	}
}

func TestComposeVolumesAndFiles(t *testing.T) {
	t.Parallel()
	c := readCompose(t)
	for name, s := range c.Services {
		for _, volume := range s.Volumes {
			source, _, _ := strings.Cut(volume, ":")
			if strings.HasPrefix(source, "./") {
				if _, err := os.Stat(filepath.Join("..", source)); err != nil {
					t.Errorf("%s mounts %s: %v", name, source, err)
				}
				continue
			}
			if _, ok := c.Volumes[source]; !ok {
				t.Errorf("%s uses volume %s, which is not declared", name, source)
			}
		}
		if s.Build.Dockerfile != "" {
			if _, err := os.Stat(filepath.Join("..", s.Build.Context, s.Build.Dockerfile)); err != nil {
				t.Errorf("%s is built from %s: %v", name, s.Build.Dockerfile, err)
			}
		}
		for _, port := range s.Ports {
			if name != "web" || !strings.HasPrefix(port, "${FADELEDGER_PUBLISH:-127.0.0.1:") {
				t.Errorf("%s publishes %s: only the pages may, and on loopback unless told otherwise", name, port)
			}
		}
	}
}

var (
	variable = regexp.MustCompile(`\$\{([A-Z_]+)[^}]*\}`)
	required = regexp.MustCompile(`\$\{[A-Z_]+:\?[^}]+\}`)
	// userInfo is the password's place in a URL.
	userInfo = regexp.MustCompile(`://[^:/@]+:([^@]*)@`)
)

// No password has a default, every one is asked for by name, and the example of
// the settings file knows each variable and no value of a secret.
func TestComposeSecrets(t *testing.T) {
	t.Parallel()
	example := map[string]string{}
	for line := range strings.Lines(readFile(t, ".env.example")) {
		if name, value, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(name, "#") {
			example[name] = value
		}
	}
	text := readFile(t, "../docker-compose.yml")
	for _, match := range variable.FindAllStringSubmatch(text, -1) {
		if _, ok := example[match[1]]; !ok {
			t.Errorf(".env.example lacks %s", match[1])
		}
	}
	secrets := 0
	for name, s := range readCompose(t).Services {
		for key, value := range s.Environment {
			secret := ""
			if m := userInfo.FindStringSubmatch(value); m != nil {
				secret = m[1]
			} else if strings.Contains(key, "PASSWORD") {
				secret = value
			} else {
				continue
			}
			secrets++
			if required.FindString(secret) != secret {
				t.Errorf("%s: %s must take its password from a variable without a default", name, key)
			}
		}
	}
	if secrets < 4 {
		t.Errorf("saw only %d passwords: the check has lost its subject", secrets)
	}
	for name, value := range example {
		if strings.Contains(name, "PASSWORD") && value != "" {
			t.Errorf(".env.example gives %s a value", name)
		}
	}
}

func TestDockerfile(t *testing.T) {
	t.Parallel()
	text := readFile(t, "Dockerfile")
	stages := regexp.MustCompile(`(?m)^FROM (\S+)`).FindAllStringSubmatch(text, -1)
	if len(stages) != 2 {
		t.Fatalf("%d stages, want 2", len(stages))
	}
	for _, stage := range stages {
		if strings.Contains(stage[1], "/") || strings.HasSuffix(stage[1], ":latest") || !strings.Contains(stage[1], ":") {
			t.Errorf("image %s must be a short name with a version", stage[1])
		}
	}
	last := text[strings.LastIndex(text, "\nFROM "):]
	if !regexp.MustCompile(`(?m)^USER [1-9][0-9]*:[1-9][0-9]*$`).MatchString(last) {
		t.Error("the image must run as a numbered user other than root")
	}
	if !strings.Contains(text, "CGO_ENABLED=0") {
		t.Error("the second stage has another C library: the binary must be static")
	}
	for _, match := range regexp.MustCompile(`(?m)^COPY ([a-z][^\s]*(?: [a-z][^\s]*)*) \./$`).FindAllStringSubmatch(text, -1) {
		for name := range strings.FieldsSeq(match[1]) {
			if _, err := os.Stat(filepath.Join("..", name)); err != nil {
				t.Errorf("copies %s: %v", name, err)
			}
		}
	}
}
