package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"unicode/utf8"

	"github.com/rogpeppe/go-internal/testscript"

	"benchlore/ledger/testutil"
)

// TestScripts runs the command scripts of testdata/script, one topic each.
func TestScripts(t *testing.T) {
	needGit(t)
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("..", "..", "testdata", "script"),
		RequireUniqueNames:  true,
		RequireExplicitExec: true,
		ContinueOnError:     true,
		Setup: func(env *testscript.Env) error {
			home := filepath.Join(env.WorkDir, ".home")
			if err := os.MkdirAll(home, 0o777); err != nil {
				return err
			}
			if err := os.WriteFile(filepath.Join(home, ".gitconfig"), []byte(testutil.GitConfig), 0o666); err != nil {
				return err
			}
			env.Setenv("HOME", home)
			env.Setenv("USERPROFILE", home)
			env.Setenv("GIT_CONFIG_GLOBAL", filepath.Join(home, ".gitconfig"))
			env.Setenv("GIT_CONFIG_NOSYSTEM", "1")
			env.Setenv("LC_ALL", "C")
			env.Setenv(testNow, benchDay)
			env.Setenv(testRandom, "script")
			// What a script cannot write down: characters nobody sees.
			env.Setenv("hostile", "turn\u202eed")
			env.Setenv("escape", "red\x1b[31m")
			lists, err := filepath.Abs(filepath.Join("..", "..", "testdata", "lists"))
			if err != nil {
				return err
			}
			env.Setenv("LISTS", lists)
			for _, saved := range []string{"day.xlsx", "readings.xlsx"} {
				data, err := os.ReadFile(filepath.Join(sheetDir, "spreadsheet-program", saved))
				if err != nil {
					return err
				}
				if err := os.WriteFile(filepath.Join(env.WorkDir, saved), data, 0o666); err != nil {
					return err
				}
			}
			return os.WriteFile(filepath.Join(env.WorkDir, "release.toml"), []byte(release), 0o666)
		},
		Condition: func(cond string) (bool, error) {
			switch cond {
			case "ssh-keygen":
				_, err := exec.LookPath("ssh-keygen")
				if err != nil && os.Getenv("CI") != "" {
					return false, err
				}
				return err == nil, nil
			}
			return false, fmt.Errorf("unknown condition %q", cond)
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"bench":   cmdBench,
			"judge":   cmdJudge,
			"unitlog": cmdUnitlog,
			"snap":    cmdSnap,
			"same":    cmdSame,
			"writes":  cmdWrites,
			"exits":   cmdExits,
			"one":     cmdOne,
			"key":     cmdKey,
			"fill":    cmdFill,
			"inplace": cmdInplace,
			"picture": cmdPicture,
			"shoot":   cmdShoot,
			"lacks":   cmdLacks,
			"append":  cmdAppend,
			"types":   cmdTypes,
			"fits":    cmdFits,
		},
	})
}

func plainCmd(ts *testscript.TestScript, neg bool, args []string, least int, usage string) {
	if neg || len(args) < least {
		ts.Fatalf("usage: %s", usage)
	}
}

func dirOf(ts *testscript.TestScript, args []string) string {
	if len(args) > 0 {
		return ts.MkAbs(args[0])
	}
	return ts.MkAbs(".")
}

var bench struct {
	once sync.Once
	dir  string
	err  error
}

// cmdBench lays the small ledger into DIR. It is made once and copied.
func cmdBench(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 1, "bench DIR")
	bench.once.Do(func() {
		top, err := os.MkdirTemp(os.Getenv("HOME"), "bench-")
		if bench.err = err; err != nil {
			return
		}
		bench.dir = filepath.Join(top, "ledger")
		bench.err = layBench(bench.dir, func(dir string, args ...string) error {
			cmd := exec.Command("benchlore", args...)
			cmd.Dir = dir
			cmd.Env = append(os.Environ(), testNow+"="+benchDay, testRandom+"=bench")
			out, err := cmd.CombinedOutput()
			if err != nil {
				return fmt.Errorf("benchlore %s: %w\n%s", strings.Join(args, " "), err, out)
			}
			return nil
		})
	})
	ts.Check(bench.err)
	ts.Check(os.CopyFS(ts.MkAbs(args[0]), os.DirFS(bench.dir)))
}

// cmdJudge has stock git judge the ledger in DIR, or here.
func cmdJudge(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 0, "judge [DIR]")
	ts.Check(judged(dirOf(ts, args)))
}

// cmdUnitlog checks that a unit's branch holds that unit's files alone.
func cmdUnitlog(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 1, "unitlog UNIT [DIR]")
	ts.Check(unitAlone(dirOf(ts, args[1:]), args[0]))
}

func cmdSnap(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 0, "snap [DIR]")
	f, err := footprint(dirOf(ts, args))
	ts.Check(err)
	ts.Setenv("snap", f)
}

// cmdSame fails where anything changed since snap.
func cmdSame(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 0, "same [DIR]")
	f, err := footprint(dirOf(ts, args))
	ts.Check(err)
	if was := ts.Getenv("snap"); was != f {
		ts.Fatalf("the ledger is not as it was\nbefore:\n%s\nnow:\n%s", was, f)
	}
}

// cmdWrites runs a command that must succeed, and has stock git judge the
// ledger here at once.
func cmdWrites(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 2, "writes COMMAND ...")
	ts.Check(ts.Exec(args[0], args[1:]...))
	ts.Check(judged(ts.MkAbs(".")))
}

// cmdExits runs a command that must end with the given code.
func cmdExits(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 2, "exits CODE COMMAND ...")
	err := ts.Exec(args[1], args[2:]...)
	got := 0
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if fmt.Sprint(got) != args[0] {
		ts.Fatalf("%s ended with code %d, want %s", strings.Join(args[1:], " "), got, args[0])
	}
}

// cmdOne sets a variable to the one file that fits a pattern.
func cmdOne(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 2, "one VAR PATTERN")
	found, err := filepath.Glob(ts.MkAbs(args[1]))
	ts.Check(err)
	if len(found) != 1 {
		ts.Fatalf("%d files fit %s: %v", len(found), args[1], found)
	}
	rel, err := filepath.Rel(ts.MkAbs("."), found[0])
	ts.Check(err)
	ts.Setenv(args[0], filepath.ToSlash(rel))
}

// cmdKey sets a variable to the key of the one finding on standard error that
// fits a pattern.
func cmdKey(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 2, "key VAR PATTERN")
	found := regexp.MustCompile(`(?m)^.*(?:`+args[1]+`).*\[([0-9a-f]{8})\]$`).FindAllStringSubmatch(ts.ReadFile("stderr"), -1)
	if len(found) != 1 {
		ts.Fatalf("%d findings fit %s", len(found), args[1])
	}
	ts.Setenv(args[0], found[0][1])
}

// cmdFill writes a file of SIZE bytes, each TEXT over and over; TEXT may hold
// escapes as Go has them.
func cmdFill(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 3, "fill FILE SIZE TEXT")
	var size int
	_, err := fmt.Sscan(args[1], &size)
	ts.Check(err)
	text := []byte(unescape(ts, args[2]))
	data := bytes.Repeat(text, size/len(text)+1)[:size]
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), data, 0o666))
}

// cmdInplace replaces OLD by NEW in a file; OLD must be there.
func cmdInplace(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 3, "inplace FILE OLD NEW")
	data := ts.ReadFile(args[0])
	old := unescape(ts, args[1])
	if !strings.Contains(data, old) {
		ts.Fatalf("%s does not hold %q", args[0], old)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(strings.ReplaceAll(data, old, unescape(ts, args[2]))), 0o666))
}

// cmdFits fails where what a command printed has more lines, or wider ones.
func cmdFits(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 2, "fits LINES COLUMNS")
	var lines, columns int
	_, err := fmt.Sscan(strings.Join(args, " "), &lines, &columns)
	ts.Check(err)
	printed := strings.Split(strings.TrimSuffix(ts.ReadFile("stdout"), "\n"), "\n")
	if len(printed) > lines {
		ts.Fatalf("%d lines were printed, want %d at most", len(printed), lines)
	}
	for _, line := range printed {
		if utf8.RuneCountInString(line) > columns {
			ts.Fatalf("wider than %d columns: %s", columns, line)
		}
	}
}

// cmdAppend adds the text of a file to the end of another.
func cmdAppend(ts *testscript.TestScript, neg bool, args []string) {
	plainCmd(ts, neg, args, 2, "append FILE TEXTFILE")
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(ts.ReadFile(args[0])+ts.ReadFile(args[1])), 0o666))
}

func unescape(ts *testscript.TestScript, s string) string {
	var out string
	_, err := fmt.Sscanf("\""+strings.ReplaceAll(s, `"`, `\"`)+"\"", "%q", &out)
	ts.Check(err)
	return out
}
