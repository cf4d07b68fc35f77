//go:build linux

package main

import (
	"bytes"
	"os"
	"strings"
	"syscall"
	"testing"
)

// printing are command lines that print, one for each way of doing it.
var printing = [][]string{
	{"show", closedUnit}, {"show", closedUnit, "--json"}, {"history"}, {"history", closedUnit}, {"docs", "fields"}, {"docs"}, {"list"}, {"list", "--json"}, {"where"},
	{"check"}, {"check", "--json"}, {"find", "kept-part"}, {"report", closedUnit}, {"reliability"}, {"help"}, {"--help"}, {"checklist"}, {"order"}, {"schema", "note"},
	{"completion", "bash"}, {"on"},
}

// TestStdoutFull: an answer that could not be printed is not taken for given.
func TestStdoutFull(t *testing.T) {
	longRound(t)
	dir := faulty(t)
	for _, args := range printing {
		full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
		if err != nil {
			if os.Getenv("CI") != "" {
				t.Fatal(err)
			}
			t.Skip(err)
		}
		cmd := program(dir, []string{testNow + "=" + faultDay}, args...)
		var said bytes.Buffer
		cmd.Stdout, cmd.Stderr = full, &said
		err = cmd.Run()
		full.Close()
		if code := cmd.ProcessState.ExitCode(); code != exitEnvironment || !strings.Contains(said.String(), `cannot write to "standard output": no space left on device`) ||
			!strings.Contains(said.String(), "make room on that disk") || strings.Count(said.String(), "standard output") != 1 {
			t.Errorf("benchlore %s: %v\n%s", strings.Join(args, " "), err, said.String())
		}
	}
}

// TestStdoutClosed: where nobody reads any more the program ends as git does, by the
// signal, without a word.
func TestStdoutClosed(t *testing.T) {
	longRound(t)
	dir := faulty(t)
	for _, args := range printing[:12] {
		r, w, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		r.Close()
		cmd := program(dir, []string{testNow + "=" + faultDay}, args...)
		var said bytes.Buffer
		cmd.Stdout, cmd.Stderr = w, &said
		err = cmd.Run()
		w.Close()
		status := cmd.ProcessState.Sys().(syscall.WaitStatus)
		if !status.Signaled() || status.Signal() != syscall.SIGPIPE || strings.Contains(said.String(), "pipe") || strings.Contains(said.String(), "standard output") {
			t.Errorf("benchlore %s: %v\n%s", strings.Join(args, " "), err, said.String())
		}
	}
}
