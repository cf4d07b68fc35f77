package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// powerRound is for the tests that a round of power cuts takes minutes for: they run
// where BENCHLORE_TEST_POWER says how many, and in CI.
func powerRound(t *testing.T) {
	t.Helper()
	if os.Getenv("BENCHLORE_TEST_POWER") == "" {
		longRound(t)
	}
}

// cuts is how often the power goes in one command: BENCHLORE_TEST_POWER over all
// commands, else a few each.
func cuts(t *testing.T, commands int) int {
	s := os.Getenv("BENCHLORE_TEST_POWER")
	if s == "" {
		return 2
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		t.Fatalf("BENCHLORE_TEST_POWER: %v", err)
	}
	return max(n/commands, 2)
}

// heard notes what a command said, and how much had been done to the disk by then.
type heard struct {
	mu   sync.Mutex
	disk *powerDisk
	text bytes.Buffer
	at   int // when the first line came
}

func (h *heard) Write(b []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.at == 0 {
		h.at = h.disk.length()
	}
	return h.text.Write(b)
}

// TestPowerCut lets each command run on a disk that loses power at some moment, half
// of the time after the command had ended well. What it acknowledged is there, the
// next command succeeds at once, and stock git finds nothing wrong.
func TestPowerCut(t *testing.T) {
	needFaults(t)
	seed := uint64(time.Now().UnixNano())
	list := diskCommands(t, "/nowhere")
	n := cuts(t, len(list))
	for i, c := range list {
		t.Run(c.name, func(t *testing.T) {
			if i > 0 && c.name != "close" { // these two run always
				powerRound(t)
			}
			rng := rand.New(rand.NewPCG(seed, uint64(i)))
			t.Logf("seed %d", seed)
			top := t.TempDir()
			dir := filepath.Join(top, "ledger")
			if err := os.CopyFS(dir, os.DirFS(faultBase.dir)); err != nil {
				t.Fatal(err)
			}
			c.prepare(t, dir)
			disk := newPowerDisk(t, top)
			args := append([]string{}, c.args...)
			if c.file != "" {
				args[len(args)-1] = filepath.Join(disk.at, filepath.Base(c.file))
			}
			h := &heard{disk: disk}
			cmd := disk.program("ledger", []string{testNow + "=" + faultDay, testWait + "=250ms"}, args...)
			cmd.Stdout, cmd.Stderr = h, h
			if err := cmd.Run(); err != nil {
				t.Fatalf("benchlore %s: %v\n%s", strings.Join(args, " "), err, h.text.String())
			}
			end := disk.length()
			for k := range n {
				at := end
				if k%2 == 1 {
					at = rng.IntN(end + 1)
				}
				after := filepath.Join(t.TempDir(), "after")
				loss := lossOrdered + powerLoss(rng.IntN(2))
				if err := disk.cut(at, loss, rng, after); err != nil {
					t.Fatal(err)
				}
				what := fmt.Sprintf("after a power cut at %d of %d (acknowledged at %d, loss %d)", at, end, h.at, loss)
				does(t, filepath.Join(after, "ledger"), "save")
				if at >= max(h.at, 1) && (at == end || h.at > 0) {
					done := c
					if c.file != "" {
						done.file = filepath.Join(after, filepath.Base(c.file))
					}
					done.succeeded(t, filepath.Join(after, "ledger"))
				} else {
					if c.name == "correct" { // the edit by hand waits, or all was done
						if code, out := onFaultDay(t, filepath.Join(after, "ledger"), nil, args...); code != 0 && !strings.Contains(out, "has not changed") {
							t.Errorf("correct: code %d\n%s", code, out)
						}
					}
					whole(t, filepath.Join(after, "ledger"))
				}
				if t.Failed() {
					t.Fatal(what)
				}
				if err := os.RemoveAll(after); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

// customer is in private/ of the ledger of the faults.
const customer = "Odile Brannock"

// TestPowerCutCopies stops start, restore, join and backup at any moment, killed or
// without power. What is there then is the whole ledger, or none, or says that it is
// not finished, and the same command brings it to its end.
func TestPowerCutCopies(t *testing.T) {
	powerRound(t)
	needFaults(t)
	seed := uint64(time.Now().UnixNano())
	top := t.TempDir()
	stick := filepath.Join(top, "stick")
	if err := os.MkdirAll(stick, 0o777); err != nil {
		t.Fatal(err)
	}
	edited := faulty(t)
	(&diskCommand{before: [][]string{{"edit"}}}).prepare(t, edited)
	does(t, edited, "backup", filepath.Join(stick, "old.zip"))
	bare := filepath.Join(top, "office.git")
	if out, err := gitOut(top, "clone", "-q", "--bare", faultBase.dir, bare); err != nil {
		t.Fatal(out)
	}
	old := filepath.Join(stick, "old.zip")
	has := func(t *testing.T, dir, file, text string) {
		t.Helper()
		b, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(file)))
		if err != nil || !strings.Contains(string(b), text) {
			t.Errorf("%s does not hold %q: %v", file, text, err)
		}
	}
	commands := []struct {
		name string
		args []string
		copy bool                             // it brings a ledger into the folder "new"
		good func(t *testing.T, after string) // what it acknowledged is there
	}{
		{"start", []string{"start", "new", "--name", "Halden Street Workshop"}, true, func(t *testing.T, after string) {
			if err := judged(filepath.Join(after, "new")); err != nil {
				t.Error(err)
			}
			does(t, filepath.Join(after, "new"), "check")
		}},
		{"restore", []string{"restore", old, "new"}, true, func(t *testing.T, after string) {
			has(t, after, "new/private/customers.toml", customer)
			has(t, after, "new/"+openFile(), "new-edit")
			does(t, filepath.Join(after, "new"), "save")
			whole(t, filepath.Join(after, "new"))
		}},
		{"join", []string{"join", bare, "new"}, true, func(t *testing.T, after string) {
			if fi, err := os.Stat(filepath.Join(after, "new", "private")); err != nil || !fi.IsDir() {
				t.Errorf("private/: %v", err)
			}
			whole(t, filepath.Join(after, "new"))
		}},
		{"backup", []string{"--ledger", "ledger", "backup", "stick/new.zip"}, false, func(t *testing.T, after string) {
			does(t, filepath.Join(after, "ledger"), "backup", "--read", filepath.Join(after, "stick", "new.zip"))
		}},
		{"drill", []string{"--ledger", "ledger", "backup", "stick/new.zip", "--drill"}, false, func(t *testing.T, after string) {
			does(t, filepath.Join(after, "ledger"), "backup", "--read", filepath.Join(after, "stick", "new.zip"))
		}},
	}
	n := cuts(t, len(commands)) * 2
	for i, c := range commands {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(seed, uint64(i)))
			t.Logf("seed %d", seed)
			from := t.TempDir()
			for _, dir := range []string{"tmp", "stick"} {
				if err := os.Mkdir(filepath.Join(from, dir), 0o777); err != nil {
					t.Fatal(err)
				}
			}
			if !c.copy {
				if err := os.CopyFS(filepath.Join(from, "ledger"), os.DirFS(faultBase.dir)); err != nil {
					t.Fatal(err)
				}
			}
			disk := newPowerDisk(t, from)
			h := &heard{disk: disk}
			cmd := disk.program(".", []string{testNow + "=" + faultDay, testWait + "=250ms", "TMPDIR=" + filepath.Join(disk.at, "tmp")}, c.args...)
			cmd.Stdout, cmd.Stderr = h, h
			if err := cmd.Run(); err != nil {
				t.Fatalf("benchlore %s: %v\n%s", strings.Join(c.args, " "), err, h.text.String())
			}
			end := disk.length()
			for k := range n {
				at, loss := end, lossOrdered+powerLoss(rng.IntN(2))
				if k%2 == 1 {
					at = rng.IntN(end + 1)
				}
				if k%4 == 1 {
					loss = lossNothing
				}
				after := filepath.Join(t.TempDir(), "after")
				if err := disk.cut(at, loss, rng, after); err != nil {
					t.Fatal(err)
				}
				what := fmt.Sprintf("stopped at %d of %d (acknowledged at %d, loss %d)", at, end, h.at, loss)
				dir := filepath.Join(after, "new")
				code, out := 0, ""
				switch {
				case at >= h.at:
				case !c.copy:
					does(t, filepath.Join(after, "ledger"), "save")
					code, out = 1, does(t, after, c.args...)
					for _, at := range []string{"stick", "tmp", "ledger/.git/benchlore/trial"} {
						left, err := filepath.Glob(filepath.Join(after, at, "*"))
						hidden, _ := filepath.Glob(filepath.Join(after, at, ".benchlore*"))
						for _, name := range append(left, hidden...) {
							if filepath.Base(name) != "new.zip" {
								t.Errorf("after the next backup there is %s: %v", name, err)
							}
						}
					}
				default:
					code, out = onFaultDay(t, after, nil, "--ledger", dir, "list")
					again, said := onFaultDay(t, after, nil, c.args...)
					if code != 0 && again != 0 {
						t.Errorf("list: %s\nand it does not go on: %s", out, said)
					}
				}
				c.good(t, after)
				if left, _ := filepath.Glob(filepath.Join(after, "tmp", "*")); len(left) > 0 {
					t.Errorf("in the folder for temporary files there is %v", left)
				}
				if t.Failed() {
					t.Fatalf("%s: code %d\n%s", what, code, out)
				}
				if err := os.RemoveAll(after); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

// TestReadErrors: a disk that does not answer is told from one that holds something
// else. Nothing is called damaged, nothing is to be deleted, and when the disk is well
// again the same command succeeds.
func TestReadErrors(t *testing.T) {
	longRound(t)
	base := faulty(t)
	gitSays(t, base, "repack", "-a", "-q") // from packs, and from files of their own
	disk := newPowerDisk(t, filepath.Dir(base))
	for _, fail := range []syscall.Errno{syscall.EIO, syscall.ESTALE, syscall.ENOMEM, syscall.ENFILE} {
		for _, args := range [][]string{{"check", "--objects"}, {"history", closedUnit}, {"record", "note", "--unit", openUnit, "--title", "new-note"}} {
			run := func(fail syscall.Errno) (int, string) {
				disk.mu.Lock()
				disk.fail = fail
				disk.mu.Unlock()
				cmd := disk.program(filepath.Base(base), []string{testNow + "=" + faultDay, testWait + "=250ms"}, args...)
				var b bytes.Buffer
				cmd.Stdout, cmd.Stderr = &b, &b
				if err := cmd.Run(); err != nil && cmd.ProcessState == nil {
					t.Fatal(err)
				}
				return cmd.ProcessState.ExitCode(), b.String()
			}
			code, out := run(fail)
			if code != 3 || !strings.Contains(out, "cannot be read now") || !strings.Contains(out, "nothing says that the file is damaged") || strings.Contains(out, "delete") || strings.Contains(out, "is damaged:") {
				t.Errorf("%v: %s: code %d\n%s", fail, args[0], code, out)
			}
			if code, out := run(0); code != 0 {
				t.Errorf("afterwards %s: code %d\n%s", args[0], code, out)
			}
		}
	}
}
