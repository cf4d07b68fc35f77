package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"time"
)

// spent is what a command took.
type spent struct {
	time   time.Duration
	memory int64 // largest resident set in KiB; 0 where the system does not say
	exit   int
	said   string // on standard error
}

func (s spent) String() string { return s.time.Round(time.Millisecond).String() }

// command runs a program in a folder, which must end well: what refuses its work
// soon is fast.
func (b *bench) command(dir string, args ...string) (spent, error) {
	s, err := b.run(dir, args...)
	if err == nil && s.exit != 0 {
		err = fmt.Errorf("%s: exit code %d\n%s", strings.Join(args, " "), s.exit, s.said)
	}
	return s, err
}

// run is command for a program that may find problems, exit code 1.
//
// A process begins with the largest resident set of the one that started it: the
// system carries it over when the new program takes the old one's place. This
// one holds whole ledgers while it makes them, so the command is started by a
// fresh copy of it, which holds nothing, and which takes the time too.
func (b *bench) run(dir string, args ...string) (spent, error) {
	figures, err := os.CreateTemp(b.dir, "figures-")
	if err != nil {
		return spent{}, err
	}
	figures.Close()
	defer os.Remove(figures.Name())
	cmd := exec.Command(b.self, append([]string{"-measure", figures.Name(), "--"}, args...)...)
	cmd.Dir, cmd.Env = dir, b.env
	var errs strings.Builder
	cmd.Stderr = &errs
	err = cmd.Run()
	code := cmd.ProcessState.ExitCode()
	if exit := (*exec.ExitError)(nil); errors.As(err, &exit) && exit.ExitCode() == 1 {
		err = nil
	}
	if err != nil {
		return spent{}, fmt.Errorf("%s: %v\n%s", strings.Join(args, " "), err, errs.String())
	}
	text, err := os.ReadFile(figures.Name())
	if err != nil {
		return spent{}, err
	}
	s := spent{exit: code, said: errs.String()}
	var processor time.Duration
	_, err = fmt.Sscan(string(text), &s.time, &s.memory, &processor)
	if b.processor {
		s.time = processor
	}
	return s, err
}

// measure runs a command, writes what it took to a file and returns its exit
// code.
func measure(file string, args []string) (int, error) {
	if len(args) == 0 {
		return 0, errors.New("-measure without a command")
	}
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Stderr = os.Stderr
	start := time.Now()
	err := cmd.Run()
	took := time.Since(start)
	if cmd.ProcessState == nil {
		return 0, err
	}
	processor := cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	return cmd.ProcessState.ExitCode(), os.WriteFile(file, fmt.Appendf(nil, "%d %d %d\n", took, residentKiB(cmd.ProcessState), processor), 0o666)
}
