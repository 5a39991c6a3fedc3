package web

import (
	"bytes"
	"compress/gzip"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"fadeledger/analytics"
	"fadeledger/analytics/catalog"
	"fadeledger/web/api"
)

// chosenFile is a file of a registration as it was chosen. Its name only tells
// of it: it is never a path.
type chosenFile struct {
	Name string
	data []byte
}

// importPage is the form that files are chosen in.
type importPage struct {
	Done string
	// Wrong says in a sentence what is wrong with the form itself.
	Wrong    string
	Problems []problemLine
	Most     string
}

// problemLine is one thing that is wrong in a file.
type problemLine struct{ Place, Field, What, Remedy string }

// registrationPage says what a registration will do.
type registrationPage struct {
	// Files are told by name; Packed go back and forth in the form.
	Files  []string
	Packed []packedFile
	Mark   string
	// To is where the registration leads, Back where it came from.
	To, Back string
	Counts   []string
	Changes  []changeLine
	More     string
	Changed  bool
	Nothing  bool
}

// packedFile is a file as the form holds it.
type packedFile struct{ Name, Data string }

// changeLine is what happens to one thing.
type changeLine struct {
	Kind, Name string
	New        bool
	Fields     []fieldLine
}

// fieldLine is a field before and after.
type fieldLine struct{ Name, Before, After string }

// changesTold is how many changes a page shows.
const changesTold = 500

// handleImportForm answers GET /registry/import.
func (s *site) handleImportForm(w http.ResponseWriter, r *http.Request) {
	s.showImport(w, r, http.StatusOK, importPage{})
}

func (s *site) showImport(w http.ResponseWriter, r *http.Request, status int, p importPage) {
	p.Most = bytesSize(uint64(s.cfg.MaxBody))
	s.render(w, r, status, "registry_import", view{Title: "Register from files", Section: "registry", Page: p})
}

// tooLargeWords say what to do with files that do not fit into a form.
const tooLargeWords = "The files are too large for a form. Register them with the command fadeledger register FILES…; where that says the same, cut units.csv into parts with the same header and register one after the other."

// handleImportPreview answers POST /registry/import/preview: what the chosen
// files would change. It changes nothing.
func (s *site) handleImportPreview(w http.ResponseWriter, r *http.Request) {
	files, err := chosenFiles(r)
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &tooLarge):
		s.showImport(w, r, http.StatusRequestEntityTooLarge, importPage{Wrong: tooLargeWords})
	case err != nil:
		s.writeErrorPage(w, r, http.StatusBadRequest)
	case len(files) == 0:
		s.showImport(w, r, http.StatusUnprocessableEntity, importPage{Wrong: "No file is chosen. Choose at least one."})
	default:
		s.planFiles(w, r, files, "", "/registry/import")
	}
}

// chosenFiles takes the uploads out of a form. Nothing of them touches a disk:
// the whole body is bounded by what memory may hold.
func chosenFiles(r *http.Request) ([]chosenFile, error) {
	reader, err := r.MultipartReader()
	if err != nil {
		return nil, err
	}
	var files []chosenFile
	for {
		part, err := reader.NextPart()
		if errors.Is(err, io.EOF) {
			return files, nil
		}
		if err != nil {
			return nil, err
		}
		data, err := io.ReadAll(part)
		if err != nil {
			return nil, err
		}
		if part.FormName() == "file" && part.FileName() != "" {
			files = append(files, chosenFile{part.FileName(), data})
		}
	}
}

// bundle makes a registration of files; what cannot be one is told.
func bundle(files []chosenFile) (*catalog.Bundle, []problemLine) {
	b := &catalog.Bundle{}
	var wrong []problemLine
	for _, f := range files {
		var p catalog.Problem
		switch err := b.Add(f.Name, f.data); {
		case errors.As(err, &p):
			wrong = append(wrong, problemLine{Place: visible(p.File, 200), What: p.Message, Remedy: p.Remedy})
		case err != nil:
			wrong = append(wrong, problemLine{Place: visible(f.Name, 200), What: err.Error()})
		}
	}
	return b, wrong
}

// problemLines tells problems by the files that were chosen.
func problemLines(b *catalog.Bundle, problems []api.Problem) []problemLine {
	lines := make([]problemLine, 0, len(problems))
	for _, p := range problems {
		file, n := b.Place(p.File, p.Line)
		line := problemLine{Place: visible(file, 200), Field: visible(p.Field, 300), What: visible(b.Mention(p.File, p.Message), 600), Remedy: visible(p.Remedy, 600)}
		if n > 0 {
			line.Place += ", line " + strconv.Itoa(n)
		}
		lines = append(lines, line)
	}
	return lines
}

// planFiles shows what files would change, or what is wrong with them. to is
// where registering them leads, back where they can be changed.
func (s *site) planFiles(w http.ResponseWriter, r *http.Request, files []chosenFile, to, back string) {
	b, wrong := bundle(files)
	if len(wrong) == 0 {
		plan, problems, err := s.cfg.Registry.Plan(r.Context(), b.Files())
		if err != nil {
			s.fail(w, r, "plan a registration", err)
			return
		}
		if len(problems) == 0 {
			s.showPlan(w, r, http.StatusOK, plan, registrationPage{To: to, Back: back}, files)
			return
		}
		wrong = problemLines(b, problems)
	}
	s.showImport(w, r, http.StatusUnprocessableEntity, importPage{Problems: wrong})
}

func (s *site) showPlan(w http.ResponseWriter, r *http.Request, status int, plan analytics.Plan, p registrationPage, files []chosenFile) {
	size := 0
	for _, f := range files {
		packed := packedFile{f.Name, pack(f.data)}
		// Names are escaped in a form: three bytes for one at the most.
		size += len(packed.Data) + 3*len(packed.Name) + 32
		p.Packed = append(p.Packed, packed)
		p.Files = append(p.Files, visible(f.Name, 200))
	}
	if int64(size)+maxSmallForm > s.cfg.MaxBody {
		s.showImport(w, r, http.StatusRequestEntityTooLarge, importPage{Wrong: tooLargeWords})
		return
	}
	p.Mark = plan.Mark
	for _, c := range plan.Counts {
		p.Counts = append(p.Counts, catalog.CountWords(c))
	}
	for i := range plan.Changes[:min(len(plan.Changes), changesTold)] {
		p.Changes = append(p.Changes, changeLineOf(&plan.Changes[i]))
	}
	p.Nothing = len(p.Changes) == 0
	if n := int64(plan.More + len(plan.Changes) - len(p.Changes)); n > 0 {
		p.More = "and " + plural(n, "more change", "more changes") + " of the same files"
	}
	s.render(w, r, status, "registry_preview", view{Title: "What will be registered", Section: "registry", Page: p})
}

func changeLineOf(c *analytics.Change) changeLine {
	line := changeLine{Kind: string(c.Kind), Name: label(c.Name), New: c.New}
	for _, f := range c.Fields {
		line.Fields = append(line.Fields, fieldLine{f.Field, orDefault(visible(f.Before, 600), "nothing"), orDefault(visible(f.After, 600), "nothing")})
	}
	return line
}

// pack makes a file fit for a hidden field.
func pack(data []byte) string {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	// A bytes.Buffer takes everything.
	_, _ = z.Write(data)
	_ = z.Close()
	return base64.RawURLEncoding.EncodeToString(b.Bytes())
}

// errUnpacks: a hidden field does not hold what pack put there.
var errUnpacks = errors.New("the form does not hold the files")

// unpack gives a file back that has at most so many bytes.
func unpack(text string, most int64) ([]byte, error) {
	packed, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errUnpacks, err)
	}
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errUnpacks, err)
	}
	data, err := io.ReadAll(io.LimitReader(z, most+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%w: %w", errUnpacks, err)
	case int64(len(data)) > most:
		return nil, fmt.Errorf("%w: they are larger than %d bytes", errUnpacks, most)
	}
	return data, nil
}

// packedFiles takes the files out of the form of the preview.
func (s *site) packedFiles(r *http.Request) ([]chosenFile, error) {
	names, data := r.PostForm["name"], r.PostForm["data"]
	if len(names) != len(data) || len(names) == 0 || len(names) > 100 {
		return nil, errUnpacks
	}
	room := s.cfg.MaxBody
	var files []chosenFile
	for i := range names {
		plain, err := unpack(data[i], room)
		if err != nil {
			return nil, err
		}
		room -= int64(len(plain))
		files = append(files, chosenFile{names[i], plain})
	}
	return files, nil
}

// handleImport answers POST /registry/import: it registers what the preview
// showed, and nothing where something has changed since.
func (s *site) handleImport(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		var tooLarge *http.MaxBytesError
		status := http.StatusBadRequest
		if errors.As(err, &tooLarge) {
			status = http.StatusRequestEntityTooLarge
		}
		s.writeErrorPage(w, r, status)
		return
	}
	files, err := s.packedFiles(r)
	mark := r.PostForm.Get("mark")
	if err != nil || mark == "" {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	b, wrong := bundle(files)
	if len(wrong) > 0 {
		s.showImport(w, r, http.StatusUnprocessableEntity, importPage{Problems: wrong})
		return
	}
	p := registrationPage{To: r.PostForm.Get("to"), Back: localPath(r.PostForm.Get("back")), Changed: true}
	done, err := s.cfg.Registry.Apply(r.Context(), b.Files(), mark)
	switch {
	case errors.Is(err, analytics.ErrConflict):
		s.planAgain(w, r, b, p, files)
	case err != nil:
		s.fail(w, r, "register", err)
	case len(done.Problems) > 0:
		s.showImport(w, r, http.StatusUnprocessableEntity, importPage{Problems: problemLines(b, done.Problems)})
	case p.To != "":
		http.Redirect(w, r, localPath(p.To), http.StatusSeeOther)
	default:
		http.Redirect(w, r, "/registry?done="+doneText(&done.Plan), http.StatusSeeOther)
	}
}

// planAgain shows what files would change now, since it is not what was shown.
func (s *site) planAgain(w http.ResponseWriter, r *http.Request, b *catalog.Bundle, p registrationPage, files []chosenFile) {
	plan, problems, err := s.cfg.Registry.Plan(r.Context(), b.Files())
	switch {
	case err != nil:
		s.fail(w, r, "plan a registration", err)
	case len(problems) > 0:
		s.showImport(w, r, http.StatusUnprocessableEntity, importPage{Problems: problemLines(b, problems)})
	default:
		s.showPlan(w, r, http.StatusConflict, plan, p, files)
	}
}

// doneText writes how many things are new, changed and as they were.
func doneText(plan *analytics.Plan) string {
	var n, changed int
	for _, c := range plan.Counts {
		n, changed = n+c.New, changed+c.Changed
	}
	return fmt.Sprintf("%d-%d-%d", n, changed, plan.Unchanged)
}

// registeredWords says what was just registered, by the text that led back.
func registeredWords(done string) string {
	parts := strings.Split(done, "-")
	if len(parts) != 3 {
		return ""
	}
	var n [3]int64
	for i, part := range parts {
		v, err := strconv.ParseUint(part, 10, 31)
		if err != nil {
			return ""
		}
		n[i] = int64(v)
	}
	words := []string{count(n[0]) + " new", count(n[1]) + " changed", count(n[2]) + " as before"}
	return "Registered: " + strings.Join(slices.DeleteFunc(words, func(w string) bool { return strings.HasPrefix(w, "0 ") }), ", ") + "."
}
