package api_test

import (
	"bytes"
	"mime/multipart"
	"strings"
	"testing"

	"fadeledger/web/api"
)

// TestRegisterRefusesASecondFileOfAName wants no file to be dropped unseen.
func TestRegisterRefusesASecondFileOfAName(t *testing.T) {
	t.Parallel()
	reg := &registrar{}
	var form bytes.Buffer
	m := multipart.NewWriter(&form)
	for _, text := range []string{"unit\na\n", "unit\nb\n"} {
		part, err := m.CreateFormFile("file", "units.csv")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := part.Write([]byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	w := ask(t, mount(api.Config{Registrar: reg}), "POST", "/api/v1/register", &form, 400, "Content-Type", m.FormDataContentType())
	if !strings.Contains(w.Body.String(), "units.csv twice") || reg.files != nil {
		t.Errorf("told %s, registered %v", w.Body.String(), reg.files)
	}
}
