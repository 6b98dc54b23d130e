#!/bin/sh
# Builds the page's engine, report/page/assets/engine.wasm.gz, copies the program
# that runs it from the Go toolchain, and gathers the licences of what is in it. The same sources and the same
# toolchain give the same bytes. "build.sh DIR" puts them into DIR instead.
#
# The engine draws one picture, as SVG, in two faces. So it is built with the tag
# minimal, which leaves out the writers of other formats, and with a copy of the
# drawing library from which the ten faces that it does not use are cut.
set -eu
cd "$(dirname "$0")"
to=${1:-assets}
mkdir -p "$to"
# The place of the copy is written into the engine: it is always the same.
work=.build
rm -rf "$work"
mkdir "$work"
trap 'chmod -R u+w "$work"; rm -rf "$work"' EXIT
cp -r "$(go list -m -f '{{.Dir}}' gonum.org/v1/plot)" "$work/plot"
chmod -R u+w "$work/plot"
cat >"$work/plot/font/liberation/liberation.go" <<'END'
// Package liberation exports two of the Liberation faces as a font.Collection.
package liberation

import (
	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	stdfnt "golang.org/x/image/font"
	"golang.org/x/image/font/opentype"

	"gonum.org/v1/plot/font"
)

// Collection is both faces; the regular one also stands for the library's own
// default, which a plot asks for before it is told otherwise.
func Collection() font.Collection {
	var c font.Collection
	for _, f := range []struct {
		variant font.Variant
		weight  stdfnt.Weight
		ttf     []byte
	}{{"Sans", stdfnt.WeightNormal, liberationsansregular.TTF}, {"Sans", stdfnt.WeightBold, liberationsansbold.TTF}, {"Serif", stdfnt.WeightNormal, liberationsansregular.TTF}} {
		face, err := opentype.Parse(f.ttf)
		if err != nil {
			panic(err)
		}
		c = append(c, font.Face{Font: font.Font{Typeface: "Liberation", Variant: f.variant, Weight: f.weight}, Face: face})
	}
	return c
}
END
cp ../../go.mod "$work/go.mod"
cp ../../go.sum "$work/go.sum"
go mod edit -replace gonum.org/v1/plot=./report/page/.build/plot "$work/go.mod"
export GOOS=js GOARCH=wasm CGO_ENABLED=0 GOFLAGS= GOWASM=
go build -modfile "$PWD/$work/go.mod" -tags minimal -trimpath -buildvcs=false -ldflags '-s -w -buildid=' -o "$work/engine.wasm" ./engine
gzip -9 -n -c "$work/engine.wasm" >"$to/engine.wasm.gz"
cp "$(go env GOROOT)/lib/wasm/wasm_exec.js" "$to/wasm_exec.js"
{
	echo "What is in this page"
	echo
	echo "sparkscope is under the Apache License 2.0, which ends this file. Its engine"
	echo "(engine.wasm) and wasm_exec.js hold work of these projects, each under its own"
	echo "licence:"
	echo
	echo "==== Go and its standard library"
	cat "$(go env GOROOT)/LICENSE"
	for m in $(go list -tags minimal -deps -f '{{with .Module}}{{.Path}}{{end}}' ./engine | sort -u); do
		if [ "$m" = sparkscope ]; then continue; fi
		dir=$(go list -m -f '{{.Dir}}' "$m")
		for f in "$dir"/LICENSE* "$dir"/THIRD_PARTY*; do
			if [ -f "$f" ]; then
				echo
				echo "==== $m, $(basename "$f")"
				cat "$f"
			fi
		done
		if [ -d "$dir/THIRD_PARTY_LICENSES" ]; then
			for f in "$dir"/THIRD_PARTY_LICENSES/*; do
				echo
				echo "==== $m, $(basename "$f")"
				cat "$f"
			done
		fi
	done
	echo
	echo "==== sparkscope"
	cat ../../LICENSE
} >"$to/notices.txt"
