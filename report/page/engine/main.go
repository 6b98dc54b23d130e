//go:build js && wasm

// The engine of the page: the desk, for a worker to talk to.
//
// The worker writes samples where "samples" says and calls "push"; it asks by
// the function sparkscopeAsk, which main hangs up in the worker's global object.
package main

import (
	"errors"
	"fmt"
	"io"
	"syscall/js"
	"unsafe"

	"sparkscope/report/page/desk"
)

// Limits of one push.
const (
	mostFrames   = 1 << 14
	mostChannels = 2
)

// What the exported functions work on: they have no other way to it.
var (
	samples [mostChannels * mostFrames]float32 // one channel behind the other
	table   = desk.New()
	failed  string // by a fault of the program; empty: none
)

// where is the address of the samples in memory.
//
//go:wasmexport where
func where() unsafe.Pointer { return unsafe.Pointer(&samples[0]) }

// room is how many frames fit.
//
//go:wasmexport room
func room() int32 { return mostFrames }

// push takes frames of so many channels, the second mostFrames behind the first;
// at is the number of the first by the input's count, or below 0. It must not
// wait for anything. The result is with which frame the recording began anew, or -1.
//
//go:wasmexport push
func push(frames, channels int32, at float64) (anew int32) {
	anew = -1
	if failed != "" || frames < 1 || frames > mostFrames || channels < 1 || channels > mostChannels {
		return anew
	}
	defer func() {
		if r := recover(); r != nil {
			failed = fmt.Sprint(r)
		}
	}()
	block := make([][]float32, channels)
	for c := range block {
		block[c] = samples[c*mostFrames : c*mostFrames+int(frames)]
	}
	return int32(table.Push(block, int64(at)))
}

// ask answers {"answer": …} or {"error": "…"}; arguments: the question, and its
// argument as JSON.
func ask(question, argument string) (out string) {
	defer func() {
		if r := recover(); r != nil {
			failed = fmt.Sprint(r)
			out = quoteError("the engine failed: " + failed + ". Load the page again.")
		}
	}()
	if failed != "" {
		return quoteError("the engine failed: " + failed + ". Load the page again.")
	}
	a, err := table.Ask(question, []byte(argument))
	if err != nil {
		return quoteError(err.Error())
	}
	return `{"answer":` + string(a) + `}`
}

func quoteError(s string) string {
	return `{"error":` + js.Global().Get("JSON").Call("stringify", s).String() + `}`
}

// file reads a recording by the worker's function sparkscopeRead(offset, size),
// which returns a Uint8Array, empty at the end.
type file struct{ at int }

func (f *file) Read(p []byte) (int, error) {
	a := js.Global().Call("sparkscopeRead", f.at, len(p))
	if a.IsNull() {
		return 0, errors.New("the file cannot be read any more")
	}
	n := js.CopyBytesToGo(p, a)
	if n == 0 && len(p) > 0 {
		return 0, io.EOF
	}
	f.at += n
	return n, nil
}

func main() {
	table.Progress = func(s float64) { js.Global().Call("sparkscopeProgress", s) }
	js.Global().Set("sparkscopeAsk", js.FuncOf(func(_ js.Value, args []js.Value) any {
		question := args[0].String()
		if question == "measure" {
			table.Source = &file{}
		}
		return ask(question, args[1].String())
	}))
	js.Global().Call("sparkscopeReady")
	select {}
}
