package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// Most lines of the scripts are short commands, above all wrong uses, and to
// start a process costs more than they do. So there are clerks, one to a processor
// core: processes that run lines with "exits" one after the other, whatever script they
// are of, as the command itself would, and each measures a recording once that several
// scripts have. The lines with "exec" are processes of their own.

// clerkName is the command that a clerk is started by.
const clerkName = "sparkscope-clerk"

// told are the variables that a command may read: a script may set them between
// its lines.
var told = []string{"HOME", "XDG_DATA_HOME", "LocalAppData", "TERM", "TMPDIR"}

// errand is a command line to run in a folder, with the variables told.
type errand struct {
	Dir   string
	Env   []string
	Args  []string
	Fresh bool // run the detectors, whatever was heard before
}

// answer is what came of it.
type answer struct {
	Status         int
	Stdout, Stderr string
}

// takesClerk says whether a clerk can run the command: not one that reads
// standard input or goes around run to the files of its process.
func takesClerk(command []string) bool {
	return command[0] == "sparkscope" && !slices.ContainsFunc(command[1:], func(a string) bool {
		return a == "-" || strings.HasPrefix(a, "/dev/")
	})
}

// beClerk runs what it is asked for until there is no more. Its own standard
// output is for answers alone: a command that prints past run breaks it.
func beClerk() {
	must := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	home, err := os.Getwd()
	must(err)
	in, out := json.NewDecoder(os.Stdin), json.NewEncoder(os.Stdout)
	for {
		var e errand
		err := in.Decode(&e)
		if err == io.EOF {
			return
		}
		must(err)
		must(os.Chdir(e.Dir))
		for i, name := range told {
			must(os.Setenv(name, e.Env[i]))
		}
		var stdout, stderr bytes.Buffer
		ctx := hears.once(context.Background())
		if e.Fresh {
			ctx = context.Background()
		}
		status := run(ctx, e.Args, strings.NewReader(""), &stdout, &stderr)
		must(os.Chdir(home)) // the script's folder is removed when it ends
		if err := out.Encode(answer{status, stdout.String(), stderr.String()}); err != nil {
			os.Exit(1)
		}
	}
}

// clerk is such a process, started when it is first asked.
type clerk struct {
	cmd    *exec.Cmd
	in     io.WriteCloser
	to     *json.Encoder
	from   *json.Decoder
	stderr bytes.Buffer
}

// clerks are those that have nothing to do.
type clerks chan *clerk

// newClerks engages one to a core, until the test ends.
func newClerks(t *testing.T) clerks {
	all := make(clerks, runtime.GOMAXPROCS(0))
	for range cap(all) {
		c := &clerk{}
		t.Cleanup(func() { c.close(t) })
		all <- c
	}
	return all
}

// ask has the next that is free run a line.
func (all clerks) ask(ts *testscript.TestScript, args []string) (answer, error) {
	// The race detector, whose runs are short, is to see the detectors at work.
	e := errand{Dir: ts.MkAbs("."), Args: args, Fresh: testing.Short()}
	for _, name := range told {
		e.Env = append(e.Env, ts.Getenv(name))
	}
	c := <-all
	defer func() { all <- c }()
	return c.run(e)
}

func (c *clerk) run(e errand) (a answer, err error) {
	if c.cmd == nil {
		cmd := exec.Command(clerkName)
		cmd.Stderr = &c.stderr
		if c.in, err = cmd.StdinPipe(); err != nil {
			return a, err
		}
		out, err := cmd.StdoutPipe()
		if err != nil {
			return a, err
		}
		if err := cmd.Start(); err != nil {
			return a, err
		}
		c.cmd, c.to, c.from = cmd, json.NewEncoder(c.in), json.NewDecoder(out)
	}
	if err := c.to.Encode(e); err != nil {
		return a, err
	}
	if err := c.from.Decode(&a); err != nil {
		return a, fmt.Errorf("sparkscope %s: no answer, as after a panic or a print past run: %w\n%s", strings.Join(e.Args, " "), err, c.stderr.String())
	}
	return a, nil
}

// close ends the process, which must have had nothing to say for itself: a
// panic, or what the race detector saw.
func (c *clerk) close(t *testing.T) {
	if c.cmd == nil {
		return
	}
	if err := c.in.Close(); err != nil {
		t.Error(err)
	}
	if err := c.cmd.Wait(); err != nil || c.stderr.Len() > 0 {
		t.Errorf("the process of \"exits\": %v\n%s", err, c.stderr.String())
	}
}
