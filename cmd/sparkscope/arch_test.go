package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// module is the module's path.
const module = "sparkscope"

// allowance is what a package may import directly.
type allowance struct {
	ours      []string // packages of the module
	forbidden []string // packages of the standard library it must not touch
}

// Side effects that the measuring packages get as arguments or not at all.
var (
	noFilesNoClock = []string{"os", "net", "net/http", "log", "time", "html/template", "encoding/json"}
	noFiles        = []string{"os", "log"}
)

// architecture is the whole of the module: a package that is not listed here
// fails the test, and so does an import that is not. It is the table of
// DEVELOPERS.md, "The picture of the house".
var architecture = map[string]allowance{
	"dsp":                   {nil, noFilesNoClock},
	"dsp/health":            {[]string{"dsp"}, noFilesNoClock},
	"dsp/fingerprint":       {[]string{"dsp"}, noFilesNoClock},
	"dsp/rerun":             {nil, nil},
	"dsp/tone":              {[]string{"dsp"}, noFilesNoClock},
	"dsp/wav":               {[]string{"dsp"}, noFiles},
	"dsp/flac":              {[]string{"dsp", "dsp/wav"}, noFiles},
	"dsp/synth":             {[]string{"dsp"}, noFiles},
	"dsp/study":             {[]string{"dsp", "dsp/synth", "dsp/tone"}, noFilesNoClock},
	"analysis":              {[]string{"analysis/circle", "analysis/fit", "dsp", "dsp/health"}, []string{"os", "net", "io", "log", "image", "html/template", "encoding/json", "time"}},
	"analysis/fit":          {nil, noFilesNoClock},
	"analysis/circle":       {nil, noFilesNoClock},
	"analysis/wheel":        {[]string{"analysis/circle"}, noFilesNoClock},
	"analysis/bench":        {[]string{"analysis", "analysis/circle", "analysis/fit", "analysis/wheel", "dsp/tone"}, noFilesNoClock},
	"analysis/calibrate":    {[]string{"analysis", "analysis/circle", "analysis/enginefile", "analysis/fit", "analysis/wheel", "dsp"}, noFilesNoClock},
	"analysis/live":         {[]string{"analysis", "analysis/circle", "dsp"}, noFilesNoClock},
	"analysis/compare":      {[]string{"analysis", "analysis/circle"}, noFilesNoClock},
	"analysis/known":        {[]string{"analysis", "analysis/enginefile"}, noFilesNoClock},
	"analysis/session":      {[]string{"analysis", "analysis/circle", "analysis/compare"}, noFilesNoClock},
	"analysis/history":      {[]string{"analysis/circle"}, noFilesNoClock},
	"analysis/job":          {[]string{"analysis", "analysis/bench", "analysis/compare", "analysis/enginefile"}, noFilesNoClock},
	"analysis/enginefile":   {nil, []string{"os", "net", "io", "log", "image", "html/template", "encoding/json", "time"}},
	"analysis/engine":       {nil, []string{"os", "net", "log", "image"}},
	"analysis/engine/scene": {[]string{"analysis/engine", "dsp", "dsp/synth"}, []string{"os", "net", "log", "image", "time"}},
	"analysis/study":        {[]string{"analysis", "analysis/circle", "analysis/engine", "analysis/engine/scene", "analysis/live", "analysis/session", "dsp", "dsp/synth"}, noFilesNoClock},
	"report":                {[]string{"analysis", "analysis/circle", "analysis/live", "analysis/bench", "analysis/calibrate", "analysis/compare", "analysis/engine", "analysis/enginefile", "analysis/history", "analysis/job", "analysis/session", "report/handover", "report/plot"}, []string{"os", "net", "log", "time"}},
	"report/handover":       {[]string{"report/letters", "report/pdf", "report/plot"}, noFiles},
	"report/logbook":        {[]string{"report/cell"}, []string{"net", "net/http", "log", "html/template"}},
	"report/table":          {[]string{"analysis", "analysis/session", "report/cell"}, noFiles},
	"report/cell":           {nil, noFiles},
	"report/logbook/hook":   {[]string{"report/logbook"}, []string{"os", "log", "html/template"}},
	"report/plot":           {[]string{"report/pdf"}, noFilesNoClock},
	"report/pdf":            {[]string{"report/letters"}, noFilesNoClock},
	"report/letters":        {nil, noFilesNoClock},
	"report/print":          {[]string{"report/letters", "report/pdf"}, noFilesNoClock},
	"report/page":           {nil, []string{"os", "log"}},
	"report/page/desk":      {[]string{"analysis", "analysis/bench", "analysis/enginefile", "analysis/known", "analysis/live", "analysis/wheel", "dsp", "dsp/fingerprint", "dsp/flac", "dsp/health", "dsp/tone", "dsp/wav", "report"}, []string{"os", "net", "log", "time"}},
	"cmd/sparkscope":        {anyOfOurs, nil},
}

// anyOfOurs marks the one place that knows all the others.
var anyOfOurs = []string{"*"}

// measuring are the packages that also run in a page: they start no goroutine
// and read no clock, so they do without these.
var measuring = []string{"dsp", "dsp/fingerprint", "dsp/tone", "analysis", "analysis/circle", "analysis/fit", "analysis/calibrate", "analysis/enginefile", "analysis/wheel", "analysis/bench", "analysis/compare", "analysis/history", "analysis/job", "analysis/known", "analysis/live", "analysis/session", "report/page/desk"}

var notInAPage = []string{"time", "sync", "sync/atomic", "context", "runtime", "syscall", "unsafe", "os/signal", "os/exec"}

// topLevel is all that may lie at the top of the tree.
var topLevel = []string{
	"README.md", "DEVELOPERS.md", "LICENSE", "go.mod", "go.sum", ".gitignore", "staticcheck.conf",
	".ci/", "cmd/sparkscope/", "dsp/", "analysis/", "report/", "testdata/synthetic/",
}

// listed is what `go list` says of a package.
type listed struct {
	ImportPath string
	Imports    []string // without those of tests
	CgoFiles   []string
}

// goList asks the go command for all packages of the module.
func goList(t *testing.T) []listed {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports,CgoFiles", "./...")
	cmd.Dir = filepath.Join("..", "..")
	out, err := cmd.Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			t.Fatalf("go list: %v: %s", err, exit.Stderr)
		}
		t.Fatalf("go list: %v", err)
	}
	var all []listed
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var p listed
		err := d.Decode(&p)
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatalf("go list: %v", err)
		}
		all = append(all, p)
	}
}

// within says whether the import path of ours, without the module's name, or
// of the standard library is name or lies below it.
func within(imp, name string) bool { return imp == name || strings.HasPrefix(imp, name+"/") }

// breaches names what a package does that its allowance does not hold.
func breaches(name string, p listed) []string {
	allowed, known := architecture[name]
	if !known {
		return []string{"is not in the table of packages: add it with what it may import"}
	}
	var out []string
	if len(p.CgoFiles) > 0 {
		out = append(out, "uses cgo: want pure Go")
	}
	for _, imp := range p.Imports {
		ours, isOurs := strings.CutPrefix(imp, module+"/")
		if isOurs && !slices.Contains(allowed.ours, ours) && !slices.Equal(allowed.ours, anyOfOurs) {
			out = append(out, "imports "+ours)
		}
		if isOurs {
			continue
		}
		for _, f := range allowed.forbidden {
			// "image" stands for pictures, and image/color is no picture.
			if imp == f || f != "image" && within(imp, f) {
				out = append(out, "imports "+imp)
				break
			}
		}
		if slices.Contains(measuring, name) && slices.Contains(notInAPage, imp) {
			out = append(out, "imports "+imp+", which has no place in a page")
		}
	}
	return out
}

// TestArchitecture holds every package to what it may import.
func TestArchitecture(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range goList(t) {
		name := strings.TrimPrefix(p.ImportPath, module+"/")
		seen[name] = true
		for _, b := range breaches(name, p) {
			t.Errorf("package %s %s", name, b)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(architecture)) {
		if !seen[name] {
			t.Errorf("package %s is in the table and not in the module", name)
		}
	}
}

// TestArchitectureCatches breaks the rules on purpose: the test above must not
// be one that nothing fails.
func TestArchitectureCatches(t *testing.T) {
	for _, c := range []struct {
		name, pkg string
		p         listed
		want      int
	}{
		{"as it should be", "dsp/wav", listed{Imports: []string{"io", "sparkscope/dsp", "github.com/go-audio/wav"}}, 0},
		{"an arrow the wrong way", "dsp", listed{Imports: []string{"sparkscope/analysis"}}, 1},
		{"a file in the analysis", "analysis", listed{Imports: []string{"os"}}, 1},
		{"below a forbidden package", "report", listed{Imports: []string{"net/http"}}, 1},
		{"a colour is no picture", "analysis/engine", listed{Imports: []string{"image/color"}}, 0},
		{"a goroutine's tools where pages measure", "dsp", listed{Imports: []string{"sync"}}, 1},
		{"cgo", "dsp", listed{CgoFiles: []string{"fast.go"}}, 1},
		{"a package nobody planned", "util", listed{}, 1},
		{"the command knows all", "cmd/sparkscope", listed{Imports: []string{"os", "sparkscope/report"}}, 0},
	} {
		if got := breaches(c.pkg, c.p); len(got) != c.want {
			t.Errorf("%s: %d breaches, want %d: %q", c.name, len(got), c.want, got)
		}
	}
}

// misplaced says whether a file's path has no place in the layout.
func misplaced(file string) bool {
	for _, allowed := range topLevel {
		if file == allowed || strings.HasSuffix(allowed, "/") && strings.HasPrefix(file, allowed) {
			return false
		}
	}
	return true
}

// projectFiles are the files under version control or, in a tree without it,
// all there are but a build's and a demo's products.
func projectFiles(t *testing.T) []string {
	t.Helper()
	root := filepath.Join("..", "..")
	cmd := exec.Command("git", "ls-files", "-z")
	cmd.Dir = root
	if out, err := cmd.Output(); err == nil && len(out) > 0 {
		return strings.Split(strings.TrimRight(string(out), "\x00"), "\x00")
	}
	products := []string{".git", "sparkscope", "sparkscope.exe", "sparkscope-demo"}
	var files []string
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, p)
		if err != nil {
			return err
		}
		switch {
		case slices.Contains(products, rel) && d.IsDir():
			return filepath.SkipDir
		case !d.IsDir() && !slices.Contains(products, rel):
			files = append(files, filepath.ToSlash(rel))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// TestLayout holds the files of the project to the layout: nothing else at
// the top, and no code among the recordings.
func TestLayout(t *testing.T) {
	files := projectFiles(t)
	for _, f := range files {
		if misplaced(f) {
			t.Errorf("%s has no place in the layout", f)
		}
		if strings.HasPrefix(f, "testdata/") && path.Ext(f) == ".go" {
			t.Errorf("%s: code in testdata, which the go command skips", f)
		}
	}
	for _, f := range []string{"README.md", "DEVELOPERS.md", "LICENSE", ".ci/run", "dsp/README.md", "analysis/README.md", "report/README.md"} {
		if !slices.Contains(files, f) {
			t.Errorf("%s is missing", f)
		}
	}
	for _, f := range []string{"main.go", "docs/index.md", "cmd/other/main.go", "testdata/real/a.wav"} {
		if !misplaced(f) {
			t.Errorf("%s would not be noticed", f)
		}
	}
}

// concurrent says where a source starts a goroutine or takes the means to share
// something between goroutines.
func concurrent(t *testing.T, name string, source []byte) bool {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), name, source, parser.SkipObjectResolution)
	if err != nil {
		t.Fatal(err)
	}
	found := slices.ContainsFunc(f.Imports, func(i *ast.ImportSpec) bool {
		return i.Path.Value == `"sync"` || i.Path.Value == `"sync/atomic"`
	})
	ast.Inspect(f, func(n ast.Node) bool {
		_, starts := n.(*ast.GoStmt)
		found = found || starts
		return !found
	})
	return found
}

// TestRaceDetector holds .ci/run to running every package that has goroutines
// of its own under the race detector.
func TestRaceDetector(t *testing.T) {
	script, err := os.ReadFile(filepath.Join("..", "..", ".ci", "run"))
	if err != nil {
		t.Fatal(err)
	}
	line := regexp.MustCompile(`(?m)^go test -race .*$`).FindString(string(script))
	var raced []string
	for _, word := range strings.Fields(line) {
		if name, ok := strings.CutPrefix(word, "./"); ok {
			raced = append(raced, name)
		}
	}
	if len(raced) == 0 {
		t.Fatalf(".ci/run names no package to run under the race detector: %q", line)
	}
	n := 0
	for _, file := range projectFiles(t) {
		if path.Ext(file) != ".go" || strings.HasSuffix(file, "_test.go") {
			continue
		}
		source, err := os.ReadFile(filepath.Join("..", "..", file))
		if err != nil {
			t.Fatal(err)
		}
		if !concurrent(t, file, source) {
			continue
		}
		n++
		if !slices.ContainsFunc(raced, func(name string) bool {
			below, all := strings.CutSuffix(name, "/...")
			return path.Dir(file) == below || all && within(file, below)
		}) {
			t.Errorf("%s has to do with goroutines, and .ci/run does not run its package under the race detector", file)
		}
	}
	if n == 0 {
		t.Error("no file found that has to do with goroutines")
	}
	for source, want := range map[string]bool{
		"package p\nfunc f() { go f() }":        true,
		"package p\nimport \"sync\"":            true,
		"package p\nfunc f() { f() } // go f()": false,
	} {
		if got := concurrent(t, "p.go", []byte(source)); got != want {
			t.Errorf("%q has to do with goroutines: %v", source, got)
		}
	}
}
