// Package page is the page of the live instrument, and hands it out.
//
// The page is a folder of files that needs nothing from elsewhere: it asks the
// browser for the microphone, and computes in the browser, so that what is heard
// never leaves the machine. Handler serves it on this machine; Files is the same
// as a folder for a host of static files. The engine is the project's own Go
// code as WebAssembly (package engine below this one, over package desk).
package page

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
)

//go:generate ./build.sh

//go:embed assets
var assets embed.FS

// engineFile is what the page loads; it is kept compressed.
const engineFile = "engine.wasm"

// types are the media types of the page's files.
var types = map[string]string{
	"index.html":           "text/html; charset=utf-8",
	"app.js":               "text/javascript; charset=utf-8",
	"worker.js":            "text/javascript; charset=utf-8",
	"logbook.js":           "text/javascript; charset=utf-8", // where the host offers one
	"tap.js":               "text/javascript; charset=utf-8",
	"wasm_exec.js":         "text/javascript; charset=utf-8",
	"sw.js":                "text/javascript; charset=utf-8",
	"style.css":            "text/css; charset=utf-8",
	"manifest.webmanifest": "application/manifest+json",
	"icon.svg":             "image/svg+xml",
	"icon-192.png":         "image/png",
	"icon-512.png":         "image/png",
	"notices.txt":          "text/plain; charset=utf-8",
	"page.json":            "application/json",
	engineFile:             "application/wasm",
}

// about is page.json: what kind of host the page is on.
type about struct {
	Kind  string   `json:"kind"`  // "serve" or "folder"
	Hooks []string `json:"hooks"` // what else the host offers, below "hooks/"
}

// asset is a file of the page.
func asset(name string) ([]byte, error) { return assets.ReadFile("assets/" + name) }

// Files are the page as static files, by name: for a host that only hands out
// files. The engine is uncompressed, and a service worker keeps all of them in
// the browser, so that the page works with no network.
func Files() (map[string][]byte, error) {
	out := map[string][]byte{}
	for name := range types {
		switch name {
		case engineFile, "page.json":
			continue
		}
		b, err := asset(name)
		if err != nil {
			return nil, err
		}
		out[name] = b
	}
	wasm, err := engine()
	if err != nil {
		return nil, err
	}
	out[engineFile] = wasm
	if out["page.json"], err = json.Marshal(about{Kind: "folder", Hooks: []string{}}); err != nil {
		return nil, err
	}
	names := slices.Sorted(maps.Keys(out))
	sum := sha256.New()
	list := []string{`"./"`}
	for _, n := range names {
		fmt.Fprintf(sum, "%s %d\n", n, len(out[n]))
		sum.Write(out[n])
		if n != "sw.js" {
			list = append(list, fmt.Sprintf("%q", n))
		}
	}
	sw := strings.Replace(string(out["sw.js"]), "/*version*/", hex.EncodeToString(sum.Sum(nil))[:16], 1)
	out["sw.js"] = []byte(strings.Replace(sw, "/*files*/", strings.Join(list, ", "), 1))
	return out, nil
}

// engine is the engine, uncompressed.
func engine() ([]byte, error) {
	packed, err := asset(engineFile + ".gz")
	if err != nil {
		return nil, err
	}
	r, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, err
	}
	return io.ReadAll(r)
}
