package deploy_test

import (
	"errors"
	"io"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
)

// manifest is the part of the Kubernetes objects that the file uses.
type manifest struct {
	Kind     string `yaml:"kind"`
	Metadata struct {
		Name string `yaml:"name"`
	} `yaml:"metadata"`
	Spec struct {
		Selector map[string]any `yaml:"selector"`
		Template struct {
			Metadata struct {
				Labels map[string]string `yaml:"labels"`
			} `yaml:"metadata"`
			Spec struct {
				SecurityContext struct {
					RunAsNonRoot bool `yaml:"runAsNonRoot"`
				} `yaml:"securityContext"`
				Containers []container `yaml:"containers"`
			} `yaml:"spec"`
		} `yaml:"template"`
	} `yaml:"spec"`
}

type container struct {
	Args []string `yaml:"args"`
	Env  []struct {
		Name      string `yaml:"name"`
		Value     string `yaml:"value"`
		ValueFrom struct {
			SecretKeyRef struct {
				Name string `yaml:"name"`
				Key  string `yaml:"key"`
			} `yaml:"secretKeyRef"`
		} `yaml:"valueFrom"`
	} `yaml:"env"`
	Ports []struct {
		Name          string `yaml:"name"`
		ContainerPort int    `yaml:"containerPort"`
	} `yaml:"ports"`
	LivenessProbe   probe `yaml:"livenessProbe"`
	ReadinessProbe  probe `yaml:"readinessProbe"`
	SecurityContext struct {
		AllowPrivilegeEscalation *bool `yaml:"allowPrivilegeEscalation"`
		ReadOnlyRootFilesystem   bool  `yaml:"readOnlyRootFilesystem"`
		Capabilities             struct {
			Drop []string `yaml:"drop"`
		} `yaml:"capabilities"`
	} `yaml:"securityContext"`
}

type probe struct {
	HTTPGet struct {
		Path string `yaml:"path"`
		Port string `yaml:"port"`
	} `yaml:"httpGet"`
}

func readManifests(t *testing.T) map[string]manifest {
	t.Helper()
	decoder := yaml.NewDecoder(strings.NewReader(readFile(t, "kubernetes.yaml")))
	manifests := map[string]manifest{}
	for {
		var m manifest
		err := decoder.Decode(&m)
		if errors.Is(err, io.EOF) {
			return manifests
		}
		if err != nil {
			t.Fatal(err)
		}
		manifests[m.Kind+" "+m.Metadata.Name] = m
	}
}

func TestKubernetesWorkloads(t *testing.T) {
	t.Parallel()
	manifests := readManifests(t)
	tests := []struct {
		name    string
		command string
		port    int // 0: answers nothing
		secrets []string
	}{
		{"Job fadeledger-migrate", "migrate", 0, []string{"owner-database-url", "web-password", "worker-password"}},
		{"Deployment fadeledger-web", "serve", 8080, []string{"web-database-url", "public-url", "broker-url"}},
		{"Deployment fadeledger-worker", "work", 8081, []string{"worker-database-url", "broker-url"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			pod := manifests[tt.name].Spec.Template.Spec
			if len(pod.Containers) != 1 {
				t.Fatalf("%d containers, want 1", len(pod.Containers))
			}
			c := pod.Containers[0]
			if c.Args[0] != tt.command {
				t.Errorf("runs %q, want %s", c.Args, tt.command)
			}
			checkSandbox(t, pod.SecurityContext.RunAsNonRoot, c)
			checkSecrets(t, c, tt.secrets)
			if tt.port != 0 {
				checkProbes(t, c, tt.port)
			}
		})
	}
}

func checkSandbox(t *testing.T, nonRoot bool, c container) {
	t.Helper()
	s := c.SecurityContext
	if !nonRoot || !s.ReadOnlyRootFilesystem || !slices.Equal(s.Capabilities.Drop, []string{"ALL"}) ||
		s.AllowPrivilegeEscalation == nil || *s.AllowPrivilegeEscalation {
		t.Errorf("not sandboxed: non-root %v, %+v", nonRoot, s)
	}
}

func checkSecrets(t *testing.T, c container, want []string) {
	t.Helper()
	var got []string
	for _, e := range c.Env {
		if e.Value != "" || e.ValueFrom.SecretKeyRef.Name != "fadeledger" {
			t.Errorf("%s does not come from the secret", e.Name)
		}
		got = append(got, e.ValueFrom.SecretKeyRef.Key)
	}
	if !slices.Equal(got, want) {
		t.Errorf("reads %q of the secret, want %q", got, want)
	}
}

// checkProbes wants the probed port to be the one that the command listens on,
// on all addresses: probes come from outside the pod.
func checkProbes(t *testing.T, c container, port int) {
	t.Helper()
	if len(c.Ports) != 1 || c.Ports[0].ContainerPort != port {
		t.Fatalf("ports %+v, want %d", c.Ports, port)
	}
	if want := "0.0.0.0:" + strconv.Itoa(port); !slices.Contains(c.Args, want) {
		t.Errorf("%q does not listen on %s", c.Args, want)
	}
	for path, p := range map[string]probe{"/healthz": c.LivenessProbe, "/readyz": c.ReadinessProbe} {
		if p.HTTPGet.Path != path || p.HTTPGet.Port != c.Ports[0].Name {
			t.Errorf("probes %+v, want %s on port %s", p.HTTPGet, path, c.Ports[0].Name)
		}
	}
}

func TestKubernetesServiceFindsThePages(t *testing.T) {
	t.Parallel()
	manifests := readManifests(t)
	selector := manifests["Service fadeledger-web"].Spec.Selector
	if len(selector) == 0 {
		t.Fatal("the service selects nothing")
	}
	labels := manifests["Deployment fadeledger-web"].Spec.Template.Metadata.Labels
	for key, value := range selector {
		if labels[key] != value {
			t.Errorf("selects %s=%v, the pages have %q", key, value, labels[key])
		}
	}
}
