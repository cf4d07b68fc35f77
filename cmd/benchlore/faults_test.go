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
	"time"
)

// The faults a ledger meets, each with the real program: what it says, and that
// doing what it says brings the ledger back with everything that had been
// acknowledged. Kills are in kill_test.go, and at every single step of a write in
// ledger/gitstore.

// faultDay is the day of the faults, after the one the ledger was laid on.
const faultDay = "2031-03-05T10:00:00+01:00"

// The ledger of the faults: one unit has an open job, the other was closed and
// sealed and has an entry that waits.
var faultBase struct {
	once   sync.Once
	err    error
	dir    string
	packet string // of another shop
	sheet  string
	photo  string
	closed string // head of the closed unit's branch
}

// kept is what the ledger of the faults holds before the fault.
var kept = []string{"kept-part", "kept-note", "kept-closed", "kept-waiting"}

// faulty returns a copy of that ledger.
func faulty(t *testing.T) string {
	t.Helper()
	needFaults(t)
	dir := filepath.Join(t.TempDir(), "ledger")
	if err := os.CopyFS(dir, os.DirFS(faultBase.dir)); err != nil {
		t.Fatal(err)
	}
	return dir
}

func needFaults(t *testing.T) {
	t.Helper()
	needGit(t)
	if _, err := exec.LookPath("ssh-keygen"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("ssh-keygen is not installed")
		}
		t.Skip("ssh-keygen is not installed; it makes the key")
	}
	faultBase.once.Do(func() { faultBase.err = layFaults() })
	if faultBase.err != nil {
		t.Fatal(faultBase.err)
	}
}

func layFaults() error {
	top, err := os.MkdirTemp(os.Getenv("HOME"), "faults-")
	if err != nil {
		return err
	}
	key := filepath.Join(top, "key")
	if out, err := exec.Command("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "bench", "-f", key).CombinedOutput(); err != nil {
		return fmt.Errorf("ssh-keygen: %w %s", err, out)
	}
	run := func(dir string, args ...string) error {
		cmd := program(dir, nil, args...)
		if args[0] == "git" {
			cmd = exec.Command("git", args[1:]...)
			cmd.Dir = dir
		}
		if out, err := cmd.CombinedOutput(); err != nil {
			return fmt.Errorf("%s: %w\n%s", strings.Join(args, " "), err, out)
		}
		return nil
	}
	b := &faultBase
	b.dir = filepath.Join(top, "ledger")
	other := filepath.Join(top, "other")
	b.packet, b.sheet, b.photo = filepath.Join(top, "unit.zip"), filepath.Join(top, "power.csv"), filepath.Join(top, "board.jpg")
	if err := layBench(b.dir, run); err != nil {
		return err
	}
	signed := [][]string{{"git", "config", "gpg.format", "ssh"}, {"git", "config", "user.signingkey", key}}
	for _, c := range []struct {
		dir  string
		args [][]string
	}{
		{b.dir, signed},
		{b.dir, [][]string{
			{"record", "followup", "--unit", closedUnit, "--state", "working", "--said-by", "owner", "--note", "kept-closed"},
			{"close", closedUnit, "--yes"},
			{"seal", closedUnit},
			{"record", "followup", "--unit", closedUnit, "--state", "working", "--said-by", "owner", "--note", "kept-waiting"},
			{"part", "power supply", "C14", "failed", "short", "replaced", "10uF/35V", "note=kept-part"},
			{"record", "note", "--title", "kept-note"},
		}},
		{top, [][]string{{"start", "other", "--name", "Lindgate Organ Works"}}},
		{other, signed},
		{other, [][]string{
			{"new", "nocturne-64", "n64-118", "--maker", "Tessaly", "--name", "Nocturne 64", "--serial", "plate=118"},
			{"record", "followup", "--state", "working", "--said-by", "owner"},
			{"close", "--yes"},
			{"seal"},
			{"handover", "-o", b.packet},
		}},
	} {
		for _, args := range c.args {
			if err := run(c.dir, args...); err != nil {
				return err
			}
		}
	}
	picture, err := pictureOf(60, 40, "2031:03:01", "board")
	if err == nil {
		err = os.WriteFile(b.photo, picture, 0o666)
	}
	if err == nil {
		err = os.WriteFile(b.sheet, []byte("section,ref,family,found,mode,action,new value,new rating,note\n"+
			"power supply,C6,capacitor/tantalum,failed,short,replaced,10 uF,35 V,new-import\n"), 0o666)
	}
	if err == nil {
		b.closed, err = gitOut(b.dir, "rev-parse", "unit/"+closedUnit)
	}
	return err
}

// onFaultDay runs one command on the day of the faults, or as env has it.
func onFaultDay(t *testing.T, dir string, env []string, args ...string) (code int, out string) {
	t.Helper()
	cmd := program(dir, append([]string{testNow + "=" + faultDay, testWait + "=250ms"}, env...), args...)
	var b bytes.Buffer
	cmd.Stdout, cmd.Stderr = &b, &b
	if err := cmd.Run(); err != nil && cmd.ProcessState == nil {
		t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), b.String()
}

// does runs a command that must succeed.
func does(t *testing.T, dir string, args ...string) string {
	t.Helper()
	code, out := onFaultDay(t, dir, nil, args...)
	if code != 0 {
		t.Fatalf("benchlore %s: code %d\n%s", strings.Join(args, " "), code, out)
	}
	return out
}

// says runs a command that must end with a code and say all the texts.
func says(t *testing.T, dir string, code int, texts []string, args ...string) string {
	t.Helper()
	got, out := onFaultDay(t, dir, nil, args...)
	if got != code {
		t.Fatalf("benchlore %s: code %d, want %d\n%s", strings.Join(args, " "), got, code, out)
	}
	out = strings.ReplaceAll(out, "\n    ", " ") // long lines are broken
	for _, s := range texts {
		if !strings.Contains(out, s) {
			t.Errorf("benchlore %s does not say %q:\n%s", strings.Join(args, " "), s, out)
		}
	}
	if strings.Contains(out, "panic") || strings.Contains(out, "goroutine ") {
		t.Errorf("benchlore %s: %s", strings.Join(args, " "), out)
	}
	return out
}

// whole checks that a ledger is in order for the program and for stock git, and
// that everything acknowledged is there.
func whole(t *testing.T, dir string, acknowledged ...string) {
	t.Helper()
	if code, out := onFaultDay(t, dir, nil, "check", "--objects"); code != 0 || strings.Contains(out, "history:") {
		t.Errorf("check: code %d\n%s", code, out)
	}
	if err := judged(dir); err != nil {
		t.Error(err)
	}
	text, err := gitOut(dir, "grep", "-h", "-e", "kept-", "-e", "new-", "main", "--", "instruments")
	if err != nil {
		t.Errorf("git grep: %v\n%s", err, text)
	}
	for _, s := range append(acknowledged, kept...) {
		if !strings.Contains(text, s) {
			t.Errorf("%s had been acknowledged and is gone", s)
		}
	}
	if out, err := gitOut(dir, "merge-base", "--is-ancestor", faultBase.closed, "unit/"+closedUnit); err != nil {
		t.Errorf("what was closed is gone: %v %s", err, out)
	}
}

// What a message tells to do: which file to delete, and what to run then.
var (
	toDelete = regexp.MustCompile(`move (\.git/[^ ]+) out of`)
	heldLock = regexp.MustCompile(`(?:holds "|git's lock )([^" ]+)`)
	toRun    = regexp.MustCompile(`: ((?:git|benchlore) [^;\n]+)`)
)

// obey does what a message says. COPY and REMOTE stand for a full copy.
func obey(t *testing.T, dir, message string) {
	t.Helper()
	name := ""
	if m := toDelete.FindStringSubmatch(message); m != nil {
		name = m[1]
	} else if m := heldLock.FindStringSubmatch(message); m != nil && strings.Contains(message, "delete that file") {
		name = m[1]
	}
	if name != "" {
		if !filepath.IsAbs(name) {
			name = filepath.Join(dir, filepath.FromSlash(name))
		}
		if err := os.Remove(name); err != nil {
			t.Fatalf("%v: the message was\n%s", err, message)
		}
	}
	run := toRun.FindStringSubmatch(message)
	if run == nil && name == "" {
		t.Fatalf("it names no remedy:\n%s", message)
	}
	if run == nil {
		return
	}
	line, _, _ := strings.Cut(run[1], ", ")
	line = strings.NewReplacer("COPY", filepath.ToSlash(faultBase.dir), "REMOTE", "origin", `"`, "").Replace(line)
	for _, c := range strings.Split(line, " && ") {
		args := strings.Fields(c)
		if args[0] == "benchlore" {
			does(t, dir, args[1:]...)
		} else if out, err := gitOut(dir, args[1:]...); err != nil {
			t.Fatalf("%s: %v\n%s", c, err, out)
		}
	}
}

// The command lines that meet the faults. Each leaves its text in the ledger.
var (
	partLine  = []string{"part", "--unit", openUnit, "power supply", "C6", "failed", "open", "replaced", "10uF/35V", "note=new-part"}
	closeLine = []string{"close", closedUnit, "--yes"}
)

func inGit(dir, name string) string { return filepath.Join(dir, ".git", filepath.FromSlash(name)) }

// edit changes a file in git's folder.
func edit(t *testing.T, dir, name string, f func([]byte) []byte) {
	t.Helper()
	file := inGit(dir, name)
	data, err := os.ReadFile(file)
	if err == nil {
		err = os.Remove(file) // objects are read-only
	}
	if err == nil {
		err = os.WriteFile(file, f(data), 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func empty([]byte) []byte   { return nil }
func half(b []byte) []byte  { return b[:len(b)/2] }
func flip(b []byte) []byte  { b[len(b)/2] ^= 0x40; return b }
func loose(h string) string { return "objects/" + h[:2] + "/" + h[2:] }
func unitRef() string       { return "refs/heads/unit/" + closedUnit }
func openFile() string      { return "instruments/" + openUnit + "/2031-03-01-intake-7q3f.toml" }
func since(t *testing.T, file string, age time.Duration) {
	t.Helper()
	then := time.Now().Add(-age)
	if err := os.Chtimes(file, then, then); err != nil {
		t.Fatal(err)
	}
}

// objectAt is where the object of an expression lies.
func objectAt(t *testing.T, dir, expr string) string {
	t.Helper()
	h, err := gitOut(dir, "rev-parse", expr)
	if err != nil {
		t.Fatalf("%v %s", err, h)
	}
	return loose(h)
}

// emptied leaves of a work file what a power cut may.
func emptied(t *testing.T, dir, name string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(name)), nil, 0o666); err != nil {
		t.Fatal(err)
	}
}

// sealOf is the first seal of the closed unit.
func sealOf(t *testing.T, dir string) string {
	t.Helper()
	tags, err := gitOut(dir, "tag", "-l", "seal/"+closedUnit+"/1-*")
	if err != nil || len(strings.Fields(tags)) != 1 {
		t.Fatalf("%v %s", err, tags)
	}
	return tags
}

func gitSays(t *testing.T, dir string, args ...string) string {
	t.Helper()
	out, err := gitOut(dir, args...)
	if err != nil {
		t.Fatalf("git %s: %v %s", strings.Join(args, " "), err, out)
	}
	return out
}

// fetchSeals gets seals back from a full copy, as the message says.
func fetchSeals(t *testing.T, dir, _ string) {
	t.Helper()
	if out, err := gitOut(dir, "fetch", "-q", faultBase.dir, "refs/tags/seal/*:refs/tags/seal/*"); err != nil {
		t.Fatal(err, out)
	}
}

// TestFaults breaks git's folder in one way after another.
func TestFaults(t *testing.T) {
	lock := func(name string) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) {
			if err := os.WriteFile(inGit(dir, name), nil, 0o666); err != nil {
				t.Fatal(err)
			}
			since(t, inGit(dir, name), time.Hour)
		}
	}
	cut := func(name string, f func([]byte) []byte) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) { edit(t, dir, name, f) }
	}
	gone := func(expr string) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) {
			if err := os.Remove(inGit(dir, objectAt(t, dir, expr))); err != nil {
				t.Fatal(err)
			}
		}
	}
	damaged := func(expr string, f func([]byte) []byte) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) { edit(t, dir, objectAt(t, dir, expr), f) }
	}
	// packed puts everything into one pack and damages its index; nil removes it.
	packed := func(f func([]byte) []byte) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) {
			gitSays(t, dir, "repack", "-a", "-d", "-q")
			list, err := filepath.Glob(inGit(dir, "objects/pack/*.idx"))
			if err != nil || len(list) != 1 {
				t.Fatal(list, err)
			}
			if err := os.Chmod(list[0], 0o644); err != nil {
				t.Fatal(err)
			}
			if f == nil {
				err = os.Remove(list[0])
			} else {
				edit(t, dir, "objects/pack/"+filepath.Base(list[0]), func(b []byte) []byte {
					if b = f(b); len(b) > 2000 {
						clear(b[1032:1900]) // names of objects
					}
					return b
				})
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	nothing := func(*testing.T, string, string) {}
	checks, objects := []string{"check"}, []string{"check", "--objects"}
	const held = "another git program holds "
	for i, tt := range []struct {
		name   string
		damage func(t *testing.T, dir string)
		args   []string // the command that meets it
		code   int
		texts  []string
		check  string                                  // what check says of it, where that is not the same
		obey   func(t *testing.T, dir, message string) // nil: obey
	}{
		{"index cut short", cut("index", half), partLine, 3, []string{"git's index is not readable", "git read-tree HEAD"}, "git's index is not readable", nil},
		{"index with a wrong bit", cut("index", flip), partLine, 3, []string{"its checksum does not match"}, "its checksum does not match", nil},
		{"index gone", func(t *testing.T, dir string) { os.Remove(inGit(dir, "index")) }, checks, 0, []string{"git's index is gone"}, "", nil},
		{"index.lock left behind", lock("index.lock"), partLine, 3, []string{held, "index.lock", "made 1h0m", "delete that file and try again"},
			"git's lock .git/index.lock was made 1h0m", nil},
		{"lock of main left behind", lock("refs/heads/main.lock"), partLine, 3, []string{held, "main.lock", "delete that file"}, ".git/refs/heads/main.lock was made", nil},
		{"lock of a unit's branch left behind", lock(unitRef() + ".lock"), closeLine, 3, []string{held, "lw3-2204.lock", "delete that file"}, "lw3-2204.lock was made", nil},
		{"packed-refs.lock left behind", lock("packed-refs.lock"), checks, 0, []string{"git's lock .git/packed-refs.lock"}, "", nil},
		{"main's ref cut short", cut("refs/heads/main", empty), partLine, 3,
			[]string{`"refs/heads/main" holds ""`, "move .git/refs/heads/main out of the .git folder and run: git update-ref refs/heads/main "}, `holds ""`, nil},
		{"a unit's ref cut short", cut(unitRef(), half), checks, 3, []string{`instead of an object name`, "git update-ref " + unitRef()}, "", nil},
		{"a unit's ref gone", func(t *testing.T, dir string) { os.Remove(inGit(dir, unitRef())) }, checks, 1,
			[]string{"the branch unit/" + closedUnit + " is behind", "run: benchlore save"}, "", nil},
		{"main's ref gone", func(t *testing.T, dir string) { os.Remove(inGit(dir, "refs/heads/main")) }, partLine, 3,
			[]string{`"refs/heads/main" is gone`, "git update-ref refs/heads/main "}, "is gone", nil},
		{"packed refs and reflogs gone", func(t *testing.T, dir string) {
			if out, err := gitOut(dir, "pack-refs", "--all"); err != nil {
				t.Fatal(err, out)
			}
			edit(t, dir, "packed-refs", func(b []byte) []byte { // as cut short, at the end of a line
				main := bytes.Index(b, []byte("refs/heads/main\n"))
				return append(b[:main-41], b[main+len("refs/heads/main\n"):]...)
			})
			if err := os.RemoveAll(inGit(dir, "logs")); err != nil {
				t.Fatal(err)
			}
		}, []string{"save"}, 3, []string{`"refs/heads/main" is gone`, "get it from a full copy: git fetch COPY refs/heads/main && git update-ref"}, "is gone", nil},
		{"packed refs cut short", func(t *testing.T, dir string) {
			if out, err := gitOut(dir, "pack-refs", "--all"); err != nil {
				t.Fatal(err, out)
			}
			edit(t, dir, "packed-refs", func(b []byte) []byte { return b[:bytes.IndexByte(b, '\n')+1] })
		}, []string{"save"}, 3, []string{`"refs/heads/main" is gone`, "git update-ref refs/heads/main "}, "is gone", func(t *testing.T, dir, message string) {
			obey(t, dir, message)
			fetchSeals(t, dir, message)
			does(t, dir, "save") // brings the units' branches back
		}},
		{"a pack's index with a wrong bit", packed(flip), checks, 0, []string{"was damaged; it was made again from the pack"}, "checked", nothing},
		{"a pack's index cut short", packed(half), checks, 0, []string{"was damaged; it was made again from the pack"}, "checked", nothing},
		{"a pack's index gone", packed(nil), checks, 0, []string{"was damaged; it was made again from the pack"}, "checked", nothing},
		{"HEAD cut short", cut("HEAD", empty), partLine, 3, []string{`"HEAD" holds ""`, "write ref: refs/heads/main into .git/HEAD"}, `"HEAD" holds`,
			func(t *testing.T, dir, _ string) {
				edit(t, dir, "HEAD", func([]byte) []byte { return []byte("ref: refs/heads/main\n") })
			}},
		{"the only seal gone", func(t *testing.T, dir string) {
			if out, err := gitOut(dir, "tag", "-d", sealOf(t, dir)); err != nil {
				t.Fatal(err, out)
			}
		}, checks, 1, []string{"the seal seal/" + closedUnit + "/1-", "was made and is not in this copy", "benchlore sync, or git fetch COPY refs/tags/seal/"}, "", fetchSeals},
		{"a seal that is another", func(t *testing.T, dir string) {
			if out, err := gitOut(dir, "tag", "-f", sealOf(t, dir), "unit/"+closedUnit); err != nil {
				t.Fatal(err, out)
			}
		}, checks, 1, []string{"is not the one that was made", "git update-ref refs/tags/seal/"}, "", nil},
		{"an earlier seal gone, that was made before main told of seals", func(t *testing.T, dir string) {
			does(t, dir, closeLine...)
			says(t, dir, 0, nil, "seal", closedUnit)
			first := sealOf(t, dir)
			// As a copy stands whose commits of main have no trailers.
			tree := gitSays(t, dir, "rev-parse", "main^{tree}")
			head := gitSays(t, dir, "rev-parse", "unit/"+closedUnit)
			main := gitSays(t, dir, "commit-tree", tree, "-m", "as it was\n\nUnit-Head: "+closedUnit+" "+head)
			for _, c := range [][]string{{"update-ref", "refs/heads/main", main}, {"tag", "-d", first}} {
				if out, err := gitOut(dir, c...); err != nil {
					t.Fatal(err, out)
				}
			}
		}, checks, 1, []string{"its seal number 1 is not in this copy, though later ones are"}, "", fetchSeals},
		{"a file's object gone", gone("main:" + openFile()), objects, 1, []string{"is gone; it is part of main: " + openFile(), "git hash-object -w " + openFile()}, "", nil},
		{"a file's object cut short", damaged("main:"+openFile(), half), objects, 1, []string{"is damaged", "part of main: " + openFile(), "the file still has it: move .git/objects/"}, "", nil},
		{"a file's object with a wrong bit", damaged("main:"+openFile(), flip), objects, 1, []string{"is damaged", "git hash-object -w"}, "", nil},
		{"an earlier tree gone", gone("main~1^{tree}"), objects, 1, []string{"is gone; it is part of main", "git fetch --refetch COPY"}, "", nil},
		{"main's commit gone", gone("main"), partLine, 3, []string{"is gone", "get it back from a full copy: git fetch --refetch COPY"}, "is gone", nil},
		{"an earlier commit gone", gone("main~2"), objects, 1, []string{"is gone; it is part of main", "git fetch --refetch COPY"}, "", nil},
		{"a folder's object gone", gone("main:instruments/" + openUnit), partLine, 3, []string{"is gone", "git fetch --refetch COPY"}, "", nil},
		{"a closed commit damaged", damaged("unit/"+closedUnit+"~1", half), objects, 1,
			[]string{"is damaged", "it is part of unit/" + closedUnit, "move .git/objects/", "git fetch --refetch COPY"}, "", nil},
		{"a seal gone", func(t *testing.T, dir string) {
			tag, err := gitOut(dir, "for-each-ref", "--format=%(objectname)", "refs/tags/seal")
			if err != nil || len(tag) != 40 {
				t.Fatalf("%v %s", err, tag)
			}
			if err := os.Remove(inGit(dir, loose(tag))); err != nil {
				t.Fatal(err)
			}
		}, objects, 1, []string{"is gone; it is part of seal/" + closedUnit}, "", nil},
		{"a pack damaged", func(t *testing.T, dir string) {
			if out, err := gitOut(dir, "gc", "-q"); err != nil {
				t.Fatal(err, out)
			}
			packs, err := filepath.Glob(inGit(dir, "objects/pack/*.pack"))
			if err != nil || len(packs) != 1 {
				t.Fatal(err, packs)
			}
			edit(t, dir, "objects/pack/"+filepath.Base(packs[0]), half)
		}, objects, 1, []string{"git's object", "its pack is cut short", "a pack is damaged: clone a full copy"}, "", func(t *testing.T, dir, _ string) {
			if err := os.RemoveAll(dir); err != nil {
				t.Fatal(err)
			}
			if out, err := gitOut(".", "clone", "-q", faultBase.dir, dir); err != nil {
				t.Fatal(err, out)
			}
			does(t, dir, "save")
		}},
		{"shop.toml emptied", func(t *testing.T, dir string) { emptied(t, dir, "shop.toml") }, partLine, 3,
			[]string{"shop.toml: cannot tell the version of the ledger", "git checkout HEAD -- shop.toml"}, "", nil},
		{"a record emptied", func(t *testing.T, dir string) { emptied(t, dir, openFile()) }, []string{"save"}, 1,
			[]string{"is empty now", "run: git checkout HEAD -- " + openFile()}, "", nil},
		{"a journal that cannot be read", func(t *testing.T, dir string) {
			if err := os.WriteFile(inGit(dir, "benchlore/journal"), []byte("{"), 0o666); err != nil {
				t.Fatal(err)
			}
		}, partLine, 0, []string{"an earlier write was interrupted and could not be finished: its journal ", "see: benchlore check"},
			"", func(*testing.T, string, string) {}},
		{"attributes that convert line ends", func(t *testing.T, dir string) {
			if err := os.MkdirAll(inGit(dir, "info"), 0o777); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(inGit(dir, "info/attributes"), []byte("* text eol=crlf\n"), 0o666); err != nil {
				t.Fatal(err)
			}
			for _, c := range []string{"rm -r -q --cached .", "reset -q --hard"} {
				if out, err := gitOut(dir, strings.Fields(c)...); err != nil {
					t.Fatalf("git %s: %v %s", c, err, out)
				}
			}
			if b, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(openFile()))); err != nil || !bytes.Contains(b, []byte("\r\n")) {
				t.Fatalf("the copy was not converted: %v %q", err, b)
			}
		}, partLine, 3, []string{".git/info/attributes has git change the bytes", "move that file away"}, "has git change the bytes",
			func(t *testing.T, dir, message string) {
				if err := os.Remove(inGit(dir, "info/attributes")); err != nil {
					t.Fatal(err)
				}
				obey(t, dir, message)
			}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			sampled(t, i, 3)
			t.Parallel()
			dir := faulty(t)
			tt.damage(t, dir)
			message := says(t, dir, tt.code, tt.texts, tt.args...)
			if tt.check != "" {
				_, out := onFaultDay(t, dir, nil, "check")
				if !strings.Contains(out, tt.check) {
					t.Errorf("check does not say %q:\n%s", tt.check, out)
				}
			}
			if tt.obey != nil {
				tt.obey(t, dir, message)
			} else {
				obey(t, dir, message)
			}
			whole(t, dir)
			if tt.code == 3 && tt.args[0] != "check" {
				does(t, dir, tt.args...) // what was refused is accepted now
			}
		})
	}
}

// TestPartialClones: a copy with only part of the history reads and records, and
// what it may not do names the way to the rest.
func TestPartialClones(t *testing.T) {
	longRound(t)
	needFaults(t)
	only := "this copy has only part of the history, so it may read and record but not "
	for _, tt := range []struct {
		name   string
		clone  []string
		check  string                                         // what check says; "": it is clean
		texts  []string                                       // what close says
		remedy func(t *testing.T, dir, message string) string // the copy to go on with
	}{
		{"shallow", []string{"--depth", "1", "--no-single-branch"}, "", []string{only + "close", "fetch the rest: git fetch --unshallow"}, nil},
		{"shallow, of one branch", []string{"--depth", "1"}, "its branch is not in this copy", []string{only + "close", "fetch the rest: git fetch --unshallow"},
			func(t *testing.T, dir, message string) string {
				obey(t, dir, message)
				obey(t, dir, says(t, dir, 1, []string{"git fetch REMOTE " + unitRef() + ":" + unitRef()}, "check"))
				return dir
			}},
		{"single branch", []string{"--single-branch"}, "which is not in this copy",
			[]string{"which is not in this copy", "fetch it: git fetch REMOTE " + unitRef() + ":" + unitRef()}, nil},
		{"partial, without files", []string{"--filter=blob:none"}, "", []string{only + "close", "clone again without --filter", "git pull "},
			func(t *testing.T, dir, message string) string {
				again := filepath.Join(t.TempDir(), "again")
				if out, err := gitOut(".", "clone", "-q", "file://"+filepath.ToSlash(faultBase.dir), again); err != nil {
					t.Fatalf("%v %s", err, out)
				}
				obey(t, again, message)
				return again
			}},
		{"line ends converted by git", []string{"-c", "core.autocrlf=true", "-c", "core.eol=crlf"}, "", nil, nil},
		{"upper and lower case the same", []string{"-c", "core.ignorecase=true", "-c", "core.precomposeunicode=true"}, "", nil, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			dir := filepath.Join(t.TempDir(), "copy")
			args := append(append([]string{"clone", "-q", "-c", "uploadpack.allowFilter=true"}, tt.clone...), "file://"+filepath.ToSlash(faultBase.dir), dir)
			cmd := exec.Command("git", args...)
			cmd.Env = append(os.Environ(), "GIT_CONFIG_COUNT=1", "GIT_CONFIG_KEY_0=uploadpack.allowFilter", "GIT_CONFIG_VALUE_0=true")
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Fatalf("git clone: %v %s", err, out)
			}
			if tt.check != "" {
				says(t, dir, 1, []string{tt.check}, "check")
			} else if out := does(t, dir, "save"); strings.Contains(out, "brought up to date") {
				does(t, dir, "check")
			}
			says(t, dir, 0, []string{openUnit}, "list")
			does(t, dir, partLine...)
			if tt.texts == nil {
				does(t, dir, "close", closedUnit, "--yes")
				whole(t, dir, "new-part")
				return
			}
			for _, c := range [][]string{{"seal", closedUnit}, {"handover", closedUnit, "-o", filepath.Join(t.TempDir(), "x.zip")}, {"adopt", faultBase.packet, "--trust"}} {
				if strings.HasPrefix(tt.name, "single") {
					break
				}
				if code, out := onFaultDay(t, dir, nil, c...); code == 0 {
					t.Errorf("%s went on: %s", c[0], out)
				}
			}
			message := says(t, dir, map[bool]int{true: 3, false: 2}[strings.HasPrefix(tt.name, "single")], tt.texts, closeLine...)
			if tt.remedy == nil {
				obey(t, dir, message)
			} else {
				dir = tt.remedy(t, dir, message)
			}
			does(t, dir, "save")
			does(t, dir, closeLine...)
			whole(t, dir, "new-part")
		})
	}
}

// TestClockBack: a clock that jumps back is told of, and stops nothing but what
// it would make a lie of.
func TestClockBack(t *testing.T) {
	dir := faulty(t)
	does(t, dir, closeLine...)
	const then = "2030-03-05T10:00:00+01:00"
	back := []string{testNow + "=" + then}
	warning := "the clock says 2030-03-05 10:00, but the last change was made 2031-03-05 10:00\n"
	code, out := onFaultDay(t, dir, back, partLine...)
	if code != 0 || !strings.Contains(out, "saved instruments/") || !strings.Contains(out, "benchlore: warning: "+warning+"  set the clock") {
		t.Errorf("part: code %d\n%s", code, out)
	}
	code, out = onFaultDay(t, dir, back, "check")
	if code != 1 || !strings.Contains(out, "is in the future (today is 2030-03-05)") {
		t.Errorf("check: code %d\n%s", code, out)
	}
	code, out = onFaultDay(t, dir, []string{testNow + "=2031-03-04T09:00:00+01:00"}, "seal", closedUnit)
	if code != 0 || !strings.Contains(out, "sealed "+closedUnit) {
		t.Errorf("seal, whose order is the chain's and no clock's: code %d\n%s", code, out)
	}
	code, out = onFaultDay(t, dir, []string{testNow + "=1969-12-31T10:00:00+01:00"}, partLine...)
	if code == 0 || !strings.Contains(out, "set the clock of this computer") {
		t.Errorf("in 1969: code %d\n%s", code, out)
	}
	// The clock is right again: nothing is lost, and the history goes on.
	does(t, dir, "handover", closedUnit, "-o", filepath.Join(t.TempDir(), "packet.zip"))
	whole(t, dir, "new-part")
}

// TestNamesInUpperAndLowerCase: files whose names differ in case only are not
// taken in, since a copy elsewhere would lose one of them.
func TestNamesInUpperAndLowerCase(t *testing.T) {
	dir := faulty(t)
	at := filepath.Join(dir, "instruments", filepath.FromSlash(openUnit), "files")
	if err := os.MkdirAll(at, 0o777); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"plan.txt", "Plan.txt"} {
		if err := os.WriteFile(filepath.Join(at, name), []byte(name), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if b, err := os.ReadFile(filepath.Join(at, "plan.txt")); err != nil || string(b) != "plan.txt" {
		t.Skip("this file system takes upper and lower case for the same")
	}
	before, err := footprint(dir)
	if err != nil {
		t.Fatal(err)
	}
	says(t, dir, 1, []string{"plan.txt: differs from Plan.txt only in upper and lower case", "rename one, then run save again", "nothing was saved"}, "save")
	says(t, dir, 1, []string{"differs from Plan.txt only in upper and lower case"}, "check")
	if after, err := footprint(dir); err != nil || after != before {
		t.Errorf("%v\nbefore:\n%s\nnow:\n%s", err, before, after)
	}
	if err := os.Rename(filepath.Join(at, "Plan.txt"), filepath.Join(at, "plan-2.txt")); err != nil {
		t.Fatal(err)
	}
	does(t, dir, "save")
	whole(t, dir)
	// Saved once, the name is taken, whatever stands on the disk.
	if err := os.Rename(filepath.Join(at, "plan.txt"), filepath.Join(at, "PLAN.txt")); err != nil {
		t.Fatal(err)
	}
	does(t, dir, "save") // renamed: the old one leaves
	whole(t, dir)
	if err := os.CopyFS(filepath.Join(dir, "instruments", "Longwave-3"), os.DirFS(filepath.Join(dir, "instruments", "longwave-3"))); err != nil {
		t.Fatal(err)
	}
	says(t, dir, 1, []string{`model "Longwave-3" cannot be a folder name`, "longwave-3", "nothing was saved"}, "save")
	if err := os.RemoveAll(filepath.Join(dir, "instruments", "Longwave-3")); err != nil {
		t.Fatal(err)
	}
	whole(t, dir)
}

// TestBesideStockGit: two of our programs and stock git commit to one ledger at
// the same time. What each acknowledged is there; what had to step aside says to
// run the command again, and that is enough.
func TestBesideStockGit(t *testing.T) {
	dir := faulty(t)
	const n = 5
	var all sync.WaitGroup
	var mu sync.Mutex
	var done []string
	until := func(what string, try func() (ok bool, out string)) {
		for k := 0; ; k++ {
			ok, out := try()
			if ok {
				return
			}
			if k == 100 {
				t.Errorf("%s never came through: %s", what, out)
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
	}
	for w, unit := range []string{openUnit, closedUnit} {
		all.Add(1)
		go func() {
			defer all.Done()
			for k := range n {
				mark := fmt.Sprintf("new-%d-%d.", w, k)
				until(mark, func() (bool, string) {
					cmd := program(dir, []string{testNow + "=" + faultDay}, "record", "note", "--unit", unit, "--title", mark)
					out, err := cmd.CombinedOutput()
					again := strings.Contains(string(out), "run the command again") || strings.Contains(string(out), "another git program holds")
					if err != nil && !again {
						t.Errorf("%s: %v\n%s", mark, err, out)
						return true, ""
					}
					return err == nil, string(out)
				})
				mu.Lock()
				done = append(done, mark)
				mu.Unlock()
			}
		}()
	}
	all.Add(1)
	go func() {
		defer all.Done()
		for k := range n {
			name := fmt.Sprintf("lots/by-git-%d.toml", k)
			err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(name)), []byte("family = \"capacitor/film\"\ndate = 2030-01-15\nquantity = 10\nsupplier = \"Orrin Parts\"\n\n[part]\nvalue = \"1 nF\"\n"), 0o666)
			if err != nil {
				t.Error(err)
				return
			}
			for _, c := range [][]string{{"add", name}, {"commit", "-q", "-m", name, "--", name}} {
				until(name, func() (bool, string) {
					out, err := gitOut(dir, c...)
					return err == nil || strings.Contains(out, "nothing to commit"), out
				})
			}
		}
	}()
	all.Wait()
	for k := range n {
		if out, err := gitOut(dir, "cat-file", "-e", fmt.Sprintf("main:lots/by-git-%d.toml", k)); err != nil {
			t.Errorf("what git committed is gone: %v %s", err, out)
		}
	}
	whole(t, dir, done...)
}

// TestOutputFiles: what -o names is whole or as it was, and nothing but a plain
// file is ever replaced.
func TestOutputFiles(t *testing.T) {
	dir := faulty(t)
	top := filepath.Dir(dir)
	says(t, dir, 3, []string{"there is no folder", "no-such", "make it first, or write elsewhere"}, "report", "-o", filepath.Join(top, "no-such", "r.html"))
	says(t, dir, 2, []string{"is a folder", "name a file in it"}, "report", "-o", top)
	device := filepath.Join(top, "device") // at one remove, or this could replace the machine's
	if err := os.Symlink(os.DevNull, device); err == nil {
		does(t, dir, "report", "-o", device)
		if fi, err := os.Lstat(device); err != nil || fi.Mode().IsRegular() {
			t.Errorf("a device was replaced by a file: %v", err)
		}
	}
	whole(t, dir)
}

// diskCommand is a command that writes, and what it needs done before.
type diskCommand struct {
	name   string
	before [][]string
	args   []string
	mark   string // what the ledger holds once it is acknowledged
	file   string // what it writes beside the ledger
}

// diskCommands are the commands that meet a full and a read-only disk; at is
// where their output goes.
func diskCommands(t *testing.T, at string) []diskCommand {
	needFaults(t)
	b := &faultBase
	report, packet := filepath.Join(at, "report.html"), filepath.Join(at, "unit.zip")
	return []diskCommand{
		{"part", nil, partLine, "new-part", ""},
		{"record", nil, []string{"record", "note", "--title", "new-note"}, "new-note", ""},
		{"save", [][]string{{"edit"}}, []string{"save"}, "new-edit", ""},
		{"close", nil, closeLine, "", ""},
		{"seal", [][]string{closeLine}, []string{"seal", closedUnit}, "", ""},
		{"handover", [][]string{closeLine, {"seal", closedUnit}}, []string{"handover", closedUnit, "-o", packet}, "", packet},
		{"photo", nil, []string{"photo", b.photo, "--caption", "new-photo"}, "new-photo", ""},
		{"import", nil, []string{"import", b.sheet}, "new-import", ""},
		{"report", nil, []string{"report", "-o", report}, "", report},
		{"adopt", nil, []string{"adopt", b.packet, "--trust", "--by", "mw"}, "", ""},
		{"correct", [][]string{closeLine, {"correct"}}, []string{"correct", closedFile(t, b.dir), "--reason", "new-reason"}, "new-reason", ""},
		{"on", nil, []string{"on", closedUnit}, "", ""},
	}
}

// closedFile is a record that was closed.
func closedFile(t *testing.T, dir string) string {
	t.Helper()
	out, err := gitOut(dir, "ls-tree", "--name-only", "unit/"+closedUnit)
	if err != nil {
		t.Fatalf("%v %s", err, out)
	}
	for _, f := range strings.Fields(out) {
		if strings.Contains(f, "-followup-") {
			return "instruments/" + closedUnit + "/" + f
		}
	}
	t.Fatalf("no followup was closed: %s", out)
	return ""
}

// prepare does what a command needs done before it.
func (c *diskCommand) prepare(t *testing.T, dir string) {
	t.Helper()
	change := func(p, old, text string) {
		name := filepath.Join(dir, filepath.FromSlash(p))
		data, err := os.ReadFile(name)
		if err == nil {
			err = os.WriteFile(name, []byte(strings.Replace(string(data), old, text, 1)), 0o666)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, args := range c.before {
		switch args[0] {
		case "edit":
			change(openFile(), `works = "partly"`, "works = \"partly\"\nnote = \"new-edit\"")
		case "correct":
			change(c.args[1], `state = "working"`, "state = \"faulty\"\nabout = \"hums\"")
		default:
			does(t, dir, args...)
		}
	}
}

// outside lays what stands where the command writes beside the ledger.
func (c *diskCommand) outside(t *testing.T) {
	t.Helper()
	if c.file == "" {
		return
	}
	if err := os.WriteFile(c.file, []byte("as it was"), 0o666); err != nil {
		t.Fatal(err)
	}
}

// asItWas checks that what a command did not get done has left no trace.
func (c *diskCommand) asItWas(t *testing.T, dir, before string) {
	t.Helper()
	if c.name == "correct" {
		// The reason may stand in the file already; the edit must.
		if b, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(c.args[1]))); err != nil || !strings.Contains(string(b), "hums") {
			t.Errorf("the edit is lost: %v\n%s", err, b)
		}
		return
	}
	if after, err := footprint(dir); err != nil || after != before {
		t.Errorf("%s: %v\nbefore:\n%s\nnow:\n%s", c.name, err, before, after)
	}
	if c.file == "" {
		return
	}
	if b, err := os.ReadFile(c.file); err != nil || string(b) != "as it was" {
		t.Errorf("%s is not as it was: %v %d bytes", c.file, err, len(b))
	}
	if left, err := filepath.Glob(filepath.Join(filepath.Dir(c.file), ".benchlore-*")); err != nil || len(left) > 0 {
		t.Errorf("it left %v", left)
	}
}

// succeeded checks that everything is there.
func (c *diskCommand) succeeded(t *testing.T, dir string) {
	t.Helper()
	if c.file != "" {
		if b, err := os.ReadFile(c.file); err != nil || len(b) < 1000 {
			t.Errorf("%s holds %d bytes: %v", c.file, len(b), err)
		}
	}
	if c.mark != "" {
		whole(t, dir, c.mark)
	} else {
		whole(t, dir)
	}
}

// longRound is for tests that take minutes together: CI runs them after the others,
// with BENCHLORE_TEST_LONG=1.
func longRound(t testing.TB) {
	t.Helper()
	if os.Getenv("BENCHLORE_TEST_LONG") == "" {
		t.Skip("a long round: it runs with BENCHLORE_TEST_LONG=1, as in CI")
	}
}

// sampled keeps a long table short in the default run: one case of every n, and all of
// them in a long round.
func sampled(t testing.TB, i, n int) {
	t.Helper()
	if i%n != 0 {
		longRound(t)
	}
}

// TestClocks: two benches whose clocks differ. The order of a history is its chain's:
// what was sealed by a clock that runs ahead is handed over and trusted on the other
// bench, and told there; one that is a year ahead is told with the next command, once.
func TestClocks(t *testing.T) {
	longRound(t)
	dir := faulty(t)
	ahead := []string{testNow + "=2031-03-05T10:01:30+01:00"}
	for _, args := range [][]string{closeLine, {"seal", closedUnit}} {
		if code, out := onFaultDay(t, dir, ahead, args...); code != 0 {
			t.Fatalf("%s: code %d\n%s", args[0], code, out)
		}
	}
	packet := filepath.Join(t.TempDir(), "packet.zip")
	does(t, dir, "handover", closedUnit, "-o", packet)
	if code, out := onFaultDay(t, t.TempDir(), nil, "verify", packet); code != 4 || strings.Contains(out, "broken") {
		t.Errorf("verify: code %d, want 4: intact, by a key that is not known\n%s", code, out)
	}

	year := []string{testNow + "=2032-03-05T10:00:00+01:00"}
	if code, out := onFaultDay(t, dir, year, "record", "followup", "--unit", closedUnit, "--state", "working", "--said-by", "owner"); code != 0 {
		t.Fatalf("code %d\n%s", code, out)
	}
	for _, args := range [][]string{{"close", closedUnit, "--yes"}, {"seal", closedUnit}} {
		if code, out := onFaultDay(t, dir, year, args...); code != 0 {
			t.Fatalf("%s a year ahead: code %d\n%s", args[0], code, out)
		}
	}
	warning := "the clock says 2031-03-05 10:00, but the last change was made 2032-03-05 10:00"
	out := does(t, dir, "record", "followup", "--unit", closedUnit, "--state", "working", "--said-by", "owner", "--note", "new-note")
	if strings.Count(out, warning) != 1 {
		t.Errorf("the command after it does not warn once:\n%s", out)
	}
	if out := does(t, dir, "record", "followup", "--unit", closedUnit, "--state", "working", "--said-by", "owner", "--note", "new-note2"); strings.Contains(out, warning) {
		t.Errorf("it warns of what was made since by the right clock:\n%s", out)
	}
	does(t, dir, "close", closedUnit, "--yes")
	if out := does(t, dir, "seal", closedUnit); !strings.Contains(out, "sealed "+closedUnit) {
		t.Errorf("after the clock was set right: %s", out)
	}
	// Within the same second there is more to seal.
	does(t, dir, "record", "followup", "--unit", closedUnit, "--state", "working", "--said-by", "owner", "--note", "new-third")
	does(t, dir, "close", closedUnit, "--yes")
	if out := does(t, dir, "seal", closedUnit); !strings.Contains(out, "sealed "+closedUnit) {
		t.Errorf("twice in a second: %s", out)
	}
	does(t, dir, "handover", closedUnit, "-o", packet)
	if code, out := onFaultDay(t, t.TempDir(), nil, "verify", packet); code != 4 || !strings.Contains(out, "before") {
		t.Errorf("verify: code %d, want 4, and dates that run back told\n%s", code, out)
	}
	text := gitSays(t, dir, "log", "--format=%cI", "-1", "main")
	if !strings.HasPrefix(text, "2031-03-05") {
		t.Errorf("main says %s, which was not the time", text)
	}
}

// TestFewFiles: 60 packs are read under a limit of 48 open files.
func TestFewFiles(t *testing.T) {
	longRound(t)
	dir := faulty(t)
	for i := range 60 {
		does(t, dir, "record", "note", "--unit", openUnit, "--title", fmt.Sprintf("new-pack-%d", i))
		if out, err := gitOut(dir, "repack", "-q", "-d"); err != nil {
			t.Fatal(out)
		}
	}
	if list, _ := filepath.Glob(inGit(dir, "objects/pack/*.pack")); len(list) < 50 {
		t.Fatalf("%d packs", len(list))
	}
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	for _, args := range []string{"check --objects", "list", "history " + openUnit, "report " + openUnit, "record note --unit " + openUnit + " --title new-last"} {
		cmd := program(dir, []string{testNow + "=" + faultDay}, args)
		cmd.Path, cmd.Args = "/bin/sh", []string{"sh", "-c", "ulimit -n 48 && exec " + exe + " " + args}
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", args, err, out)
		}
	}
	whole(t, dir, "new-last", "new-pack-0")
}

// TestRot: a byte of a record turns on the disk, and its date and size stay, so that
// git does not look. check --objects and every backup do.
func TestRot(t *testing.T) {
	dir := faulty(t)
	name := filepath.Join(dir, filepath.FromSlash(openFile()))
	since(t, name, time.Hour)
	gitSays(t, dir, "update-index", "--refresh")
	time.Sleep(20 * time.Millisecond) // the index is younger than the file
	gitSays(t, dir, "update-index", "--force-write-index")
	info, err := os.Stat(name)
	if err != nil {
		t.Fatal(err)
	}
	// The date of a change of the inode cannot be set back; on a disk that rots it
	// does not move.
	gitSays(t, dir, "config", "core.trustctime", "false")
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(name, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte("Overhaul"), int64(bytes.Index(text, []byte("overhaul")))); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(f.Close(), os.Chtimes(name, info.ModTime(), info.ModTime())); err != nil {
		t.Fatal(err)
	}
	if out := gitSays(t, dir, "status", "--porcelain"); out != "" {
		t.Fatalf("git sees it: %s", out)
	}
	rot := openFile() + " is not as it was saved, and its date and size are"
	says(t, dir, 1, []string{rot, "git show main:" + openFile()}, "check", "--objects")
	says(t, dir, 1, []string{rot, "wrote "}, "backup", t.TempDir())
	if err := os.WriteFile(name, []byte(gitSays(t, dir, "show", "main:"+openFile())+"\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	whole(t, dir)
	does(t, dir, "backup", t.TempDir())
}
