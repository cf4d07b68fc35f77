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
	"testing"
	"time"
)

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
				ordered := rng.IntN(2) == 0
				if err := disk.cut(at, ordered, rng, after); err != nil {
					t.Fatal(err)
				}
				what := fmt.Sprintf("after a power cut at %d of %d (acknowledged at %d, ordered %v)", at, end, h.at, ordered)
				does(t, filepath.Join(after, "ledger"), "save")
				if at >= h.at {
					done := c
					if c.file != "" {
						done.file = filepath.Join(after, filepath.Base(c.file))
					}
					done.succeeded(t, filepath.Join(after, "ledger"))
				} else {
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
