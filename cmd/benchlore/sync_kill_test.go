package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestSyncKilled kills the program at random instants while it exchanges and
// while it backs up. What had been acknowledged is there after the next
// exchange, on both benches, and stock git finds nothing wrong anywhere.
func TestSyncKilled(t *testing.T) {
	longRound(t)
	t.Parallel()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 9))
	office := newBench(t)
	top := filepath.Dir(office)
	bare, fair, stick := filepath.Join(top, "office.git"), filepath.Join(top, "fair"), filepath.Join(top, "stick")
	shop := filepath.Join(office, "shop.toml")
	text, err := os.ReadFile(shop)
	if err != nil {
		t.Fatal(err)
	}
	text = append(text, "\n[[remote]]\nname = \"office\"\nurl = '"+bare+"'\nrole = \"own\"\n"...)
	if err := os.WriteFile(shop, text, 0o666); err != nil {
		t.Fatal(err)
	}
	must(t, office, "save")
	must(t, office, "close", closedUnit, "--yes", "--dry-run")
	must(t, office, "sync", "--create")
	must(t, top, "join", bare, fair)
	if err := os.Mkdir(stick, 0o777); err != nil {
		t.Fatal(err)
	}
	var marks []string
	took := map[string]time.Duration{"sync": 300 * time.Millisecond, "backup": 300 * time.Millisecond}
	killed, done := 0, 0
	n := max(kills(t)/8, 8)
	for i := range n {
		dir := []string{office, fair}[i%2]
		mark := fmt.Sprintf("mark%06d", i)
		unit := []string{openUnit, closedUnit}[rng.IntN(2)]
		if i%5 == 4 {
			unit = closedUnit // something to close
		}
		cmd := program(dir, []string{testRandom + "=" + mark}, "record", "note", "--unit", unit, "--title", mark)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		marks = append(marks, mark)
		if i%5 == 4 {
			must(t, dir, "close", closedUnit, "--yes")
		}
		kind, args := "sync", []string{"sync"}
		if i%4 == 3 {
			kind, args = "backup", []string{"backup", stick}
		}
		cmd = program(dir, []string{testRandom + "=x" + mark}, args...)
		var out bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &out
		start := time.Now()
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		at := took[kind]/8 + time.Duration(rng.Int64N(int64(took[kind])))
		kill := time.AfterFunc(at, func() { _ = cmd.Process.Kill() })
		err := cmd.Wait()
		kill.Stop()
		switch {
		case err == nil:
			took[kind] = time.Since(start)
			done++
		case cmd.ProcessState.Exited():
			t.Fatalf("benchlore %s was not killed, and failed: %v\n%s", strings.Join(args, " "), err, out.String())
		default:
			took[kind] += took[kind] / 8
			killed++
		}
		if i%6 == 5 || i == n-1 {
			for _, d := range []string{dir, office, fair, office} {
				must(t, d, "sync")
			}
			for _, d := range []string{office, fair} {
				if err := judged(d); err != nil {
					t.Fatalf("after %d kills: %s: %v", killed, d, err)
				}
				all, err := gitOut(d, "grep", "-h", "mark", "main", "--", "instruments")
				if err != nil {
					t.Fatalf("git grep: %v\n%s", err, all)
				}
				for _, m := range marks {
					if !strings.Contains(all, m) {
						t.Fatalf("%s had been acknowledged and is not in %s", m, d)
					}
				}
				must(t, d, "check")
			}
			if out, err := gitOut(bare, "fsck", "--strict", "--no-dangling", "--no-progress"); err != nil || out != "" {
				t.Fatalf("git fsck on the server: %v\n%s", err, out)
			}
			a, _ := gitOut(office, "for-each-ref", "--format=%(refname) %(objectname)", "refs/heads")
			b, _ := gitOut(fair, "for-each-ref", "--format=%(refname) %(objectname)", "refs/heads")
			if a != b {
				t.Fatalf("the benches stand apart:\n%s\n%s", a, b)
			}
		}
	}
	// Whatever has the name of a backup is one.
	files, err := filepath.Glob(filepath.Join(stick, "*.zip"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		must(t, office, "backup", "--read", f)
	}
	t.Logf("%d killed, %d came through, %d backups", killed, done, len(files))
	if killed == 0 {
		t.Error("nothing was killed")
	}
}
