// Command bars measures the program against its peers on synthetic ledgers, in
// one run on one machine, and prints the ratios: stock git for what git does too,
// the TOML library alone for reading, R's survival package for the statistics.
//
//	go run ./cmd/bars -units 1000,2000,10000
//
// Each figure is the best of -runs, memory the largest of them. "Cold" is without
// what was kept from earlier runs; files are in the system's cache either way.
// "One record later" is a part line of today after all others, which moves the
// as-of date. Bars are set for 10,000 units: at other sizes what would not hold says
// "no", and every command is run up to that size. Exit codes: 0 every bar holds; 1
// one does not; 2 the command line is wrong; 3 it could not be measured.
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchlore/examples/synth"
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

func run(args []string, out, errw io.Writer) int {
	set := flag.NewFlagSet("bars", flag.ContinueOnError)
	set.SetOutput(errw)
	sizes := set.String("units", "1000,2000", "sizes of the ledgers, in units; each about 12 records a unit")
	runs := set.Int("runs", 3, "the best of so many runs counts")
	dir := set.String("dir", "", "keep the ledgers in this folder, and use those that are there; default: a temporary one")
	observations := set.Int("observations", 100_000, "rows for the statistics; 0: leave them out")
	decode := set.String("decode", "", "only decode the TOML files below a folder, with the library alone")
	bundle := set.String("bundle", "", "only write the bundle a packet of a unit holds, from the ledger in this folder, to the file named")
	figures := set.String("measure", "", "only run the command that follows, and write what it took to this file")
	processor := set.Bool("cpu", false, "compare processor time in place of elapsed time, where others use the machine")
	if err := set.Parse(args); err != nil {
		return 2
	}
	fail := func(err error) int {
		fmt.Fprintln(errw, "bars:", err)
		return 3
	}
	switch {
	case *figures != "":
		code, err := measure(*figures, set.Args())
		if err != nil {
			return fail(err)
		}
		return code
	case *decode != "":
		if err := decodeAll(*decode); err != nil {
			return fail(err)
		}
		return 0
	case *bundle != "":
		if err := writeBundle(*bundle, set.Arg(0)); err != nil {
			return fail(err)
		}
		return 0
	}
	var units []int
	for _, s := range strings.Split(*sizes, ",") {
		n, err := strconv.Atoi(strings.TrimSpace(s))
		if err != nil || n < 3 {
			fmt.Fprintf(errw, "bars: %q is no size => write numbers of units from 3 up: -units 3,1000,2000\n", s)
			return 2
		}
		units = append(units, n)
	}
	if *dir == "" {
		tmp, err := os.MkdirTemp("", "bars-")
		if err != nil {
			return fail(err)
		}
		defer os.RemoveAll(tmp)
		*dir = tmp
	}
	if abs, err := filepath.Abs(*dir); err == nil {
		*dir = abs // commands run in other folders
	}
	if err := os.MkdirAll(*dir, 0o777); err != nil {
		return fail(err)
	}
	b := &bench{dir: *dir, runs: max(1, *runs), processor: *processor, out: out, log: errw}
	if err := b.prepare(); err != nil {
		return fail(err)
	}
	defer os.RemoveAll(filepath.Dir(b.program))
	clock := "elapsed time"
	if b.processor {
		clock = "processor time"
	}
	fmt.Fprintf(out, "%s/%s, %d processors, %s, best of %d\n", runtime.GOOS, runtime.GOARCH, runtime.NumCPU(), clock, b.runs)
	held := true
	for _, n := range units {
		ok, err := b.ledger(n)
		if err != nil {
			return fail(err)
		}
		held = held && ok
	}
	held = b.growth(units) && held
	if *observations > 0 {
		ok, err := b.statistics(*observations)
		if err != nil {
			return fail(err)
		}
		held = held && ok
	}
	if !held {
		return 1
	}
	return 0
}

// bench is a program built for the purpose, in a home of its own.
type bench struct {
	dir       string
	runs      int
	processor bool // processor time counts, not elapsed time
	out, log  io.Writer
	program   string
	self      string
	env       []string
	cold      map[int]time.Duration // check without anything kept, by units
}

func (b *bench) prepare() error {
	for _, tool := range []string{"git", "go"} {
		if _, err := exec.LookPath(tool); err != nil {
			return fmt.Errorf("%s is not installed; it is needed here", tool)
		}
	}
	bin, err := os.MkdirTemp(b.dir, "bin-")
	if err != nil {
		return err
	}
	if b.self, err = os.Executable(); err != nil {
		return err
	}
	b.program = filepath.Join(bin, "benchlore")
	if runtime.GOOS == "windows" {
		b.program += ".exe"
	}
	if out, err := exec.Command("go", "build", "-o", b.program, "benchlore/cmd/benchlore").CombinedOutput(); err != nil {
		return fmt.Errorf("building benchlore: %v\n%s", err, out)
	}
	home := filepath.Join(bin, "home")
	if err := os.Mkdir(home, 0o777); err != nil {
		return err
	}
	key := filepath.Join(home, "key")
	if err := writeKey(key); err != nil {
		return err
	}
	config := "[user]\n\tname = Maren Wickstead\n\temail = maren@halden-street.example\n\tsigningkey = " + filepath.ToSlash(key) +
		"\n[gpg]\n\tformat = ssh\n[gc]\n\tauto = 0\n[safe]\n\tdirectory = *\n"
	if err := os.WriteFile(filepath.Join(home, ".gitconfig"), []byte(config), 0o666); err != nil {
		return err
	}
	b.env = environment(os.Environ(), home)
	b.cold = map[int]time.Duration{}
	return nil
}

// environment is what commands are started with: nothing that would lead git to
// another repository, or have either side do more or less than it must.
func environment(here []string, home string) []string {
	out := slices.DeleteFunc(slices.Clone(here), func(s string) bool {
		name, _, _ := strings.Cut(s, "=")
		return strings.HasPrefix(name, "GIT_") || slices.Contains([]string{"XDG_CONFIG_HOME", "GOGC", "GOMEMLIMIT", "GODEBUG"}, name)
	})
	return append(out, "HOME="+home, "USERPROFILE="+home, "GIT_CONFIG_NOSYSTEM=1")
}

// commit is the commit that a ref of a ledger stands on.
func (b *bench) commit(dir, ref string) (string, error) {
	cmd := exec.Command("git", "rev-parse", ref)
	cmd.Dir, cmd.Env = dir, b.env
	out, err := cmd.Output()
	return strings.TrimSpace(string(out)), err
}

// best is the best of several runs of each work, turn about.
func (b *bench) best(works ...func() (spent, error)) ([]spent, error) {
	out := make([]spent, len(works))
	for i := range out {
		out[i].time = math.MaxInt64
	}
	for range b.runs {
		for i, w := range works {
			s, err := w()
			if err != nil {
				return nil, err
			}
			out[i].time, out[i].memory = min(out[i].time, s.time), max(out[i].memory, s.memory)
		}
	}
	return out, nil
}

// ledger measures one ledger, and leaves it as it was. It reports whether every
// bar holds.
func (b *bench) ledger(n int) (held bool, err error) {
	dir := filepath.Join(b.dir, fmt.Sprintf("units-%d", n))
	if _, err := os.Stat(dir); err != nil {
		opt, err := synth.Preset("bench", n, 1)
		if err != nil {
			return false, err
		}
		opt.Open, opt.Records = max(1, n/250), 10
		l, err := synth.Generate(opt)
		if err != nil {
			return false, err
		}
		fmt.Fprintf(b.log, "making %s\n", dir)
		if _, err := l.Write(dir, synth.WriteOptions{Git: synth.Records}); err != nil {
			return false, err
		}
	}
	files, size, err := tomlFiles(dir)
	if err != nil {
		return false, err
	}
	fmt.Fprintf(b.out, "\n%d units, %d TOML files, %.0f MB\n", n, len(files), float64(size)/1e6)
	// Both sides find the files in the system's cache.
	if _, err := b.command(dir, b.self, "-decode", dir); err != nil {
		return false, err
	}
	if _, err := b.command(dir, "git", "status"); err != nil {
		return false, err
	}
	if _, err := b.command(dir, "git", "commit-graph", "write", "--reachable", "--no-changed-paths"); err != nil {
		return false, err
	}
	t := b.table(n)
	git := func(args ...string) func() (spent, error) {
		return func() (spent, error) { return b.command(dir, append([]string{"git"}, args...)...) }
	}
	ours := func(args ...string) func() (spent, error) {
		return func() (spent, error) { return b.command(dir, append([]string{b.program}, args...)...) }
	}

	open, closed, err := b.units(dir)
	if err != nil {
		return false, err
	}
	head, err := b.commit(dir, "HEAD")
	if err != nil {
		return false, err
	}
	back := func() error {
		_, err := b.command(dir, "git", "reset", "-q", "--hard", head)
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, back())
		}
	}()
	line := 0
	commit := func(settings ...string) func() (spent, error) {
		git := append([]string{"git"}, settings...)
		return func() (spent, error) {
			line++
			file := fmt.Sprintf("instruments/%s/2031-01-01-note-%s.toml", open, []string{"aaaa", "bbbb", "cccc", "dddd", "eeee", "ffff", "gggg", "hhhh"}[line%8])
			text := fmt.Sprintf("kind = \"note\"\ndate = 2024-01-01\nnote = \"line %d\"\n", line)
			if err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(file)), []byte(text), 0o666); err != nil {
				return spent{}, err
			}
			add, err := b.command(dir, append(git, "add", file)...)
			if err != nil {
				return add, err
			}
			commit, err := b.command(dir, append(git, "commit", "-qm", "a line")...)
			return spent{time: add.time + commit.time}, err
		}
	}
	s, err := b.best(ours("part", "--unit", open, "--by", "mw", "power supply", "@under C1", "capacitor/ceramic", "ok", "in-circuit", "left"),
		commit("-c", "core.fsync=all"), commit())
	if err != nil {
		return false, err
	}
	bar := 1.0
	if n < 100 {
		bar = 1.2
	}
	t.row("one part line", s[0], "git add, git commit, core.fsync=all", s[1], bar)
	t.row("one part line", s[0], "git add, git commit, as it comes", s[2], bar)
	if err := back(); err != nil { // the notes git committed are none of ours
		return false, err
	}
	if err := b.long(dir, t, head, open, closed, git, ours); err != nil {
		return false, err
	}

	cold := func() (spent, error) {
		if err := os.RemoveAll(filepath.Join(dir, ".git", "benchlore", "derived")); err != nil {
			return spent{}, err
		}
		return b.command(dir, b.program, "check")
	}
	if s, err = b.best(cold, func() (spent, error) { return b.command(dir, b.self, "-decode", dir) }); err != nil {
		return false, err
	}
	b.cold[n] = s[0].time
	t.row("check, cold", s[0], "the TOML library alone", s[1], 1.25)
	for _, args := range [][]string{{"check"}, {"list"}, {"where"}, {"reliability"}} {
		if _, err := ours(args...)(); err != nil { // what it keeps is kept now
			return false, err
		}
		if s, err = b.best(ours(args...), git("status")); err != nil {
			return false, err
		}
		t.row(args[0]+", warm", s[0], "git status", s[1], 5)
	}
	if s, err = b.best(ours("report", closed), git("log", "-p", "unit/"+closed)); err != nil {
		return false, err
	}
	t.row("report of a unit", s[0], "git log -p of its branch", s[1], 2)
	if s, err = b.bundle(dir, closed); err != nil {
		return false, err
	}
	t.row("a packet's bundle", s[0], "git bundle create", s[1], 1.5)
	if s, err = b.best(func() (spent, error) {
		if _, err := ours("part", "--unit", open, "--by", "mw", "power supply", "@under C1", "capacitor/ceramic", "ok", "in-circuit", "left")(); err != nil {
			return spent{}, err
		}
		return ours("reliability")()
	}); err != nil {
		return false, err
	}
	t.alone("reliability, one record later", s[0])
	if err := back(); err != nil {
		return false, err
	}
	if n > barUnits {
		return t.held, t.w.Flush()
	}
	// It goes when all is done: some file systems are slow to make files where many
	// were removed moments before.
	away, err := os.MkdirTemp(filepath.Dir(b.program), "away-")
	if err != nil {
		return false, err
	}
	s, bare, err := b.exchange(dir, away, ours)
	if err != nil {
		return false, err
	}
	t.alone("backup", s[0])
	t.alone("sync, all of it", s[1])
	if err := t.w.Flush(); err != nil {
		return false, err
	}
	small, err := b.everyCommand(n, dir, bare, away)
	return t.held && small, err
}

// long measures what goes back through main to where a unit was touched last.
func (b *bench) long(dir string, t *table, head, open, closed string, git, ours func(...string) func() (spent, error)) error {
	const peer, bar = "git log -1 -- FOLDER", 5
	// What is missing, or to be written, is told with the exit code 1.
	tells := func(args ...string) func() (spent, error) {
		return func() (spent, error) { return b.run(dir, append([]string{b.program}, args...)...) }
	}
	forgotten := func(work func() (spent, error)) func() (spent, error) {
		return func() (spent, error) {
			if err := os.RemoveAll(filepath.Join(dir, ".git", "benchlore", "derived")); err != nil {
				return spent{}, err
			}
			return work()
		}
	}
	// A job without a release is refused before anything is looked up.
	if _, err := ours("record", "release", "--unit", open, "--works", "fully", "--by", "mw")(); err != nil {
		return err
	}
	log := func(unit string) func() (spent, error) { return git("log", "-1", "--", "instruments/"+unit) }
	for _, x := range []struct {
		work string
		ours func() (spent, error)
		unit string
	}{
		{"checklist, nothing kept", forgotten(tells("checklist", open)), open},
		{"checklist", tells("checklist", open), open},
		{"close --dry-run", tells("close", "--dry-run", open), open},
		{"undo --dry-run", tells("undo", "--dry-run", open), open},
		{"history", ours("history", closed), closed},
		{"history --shop", ours("history", "--shop", closed), closed},
	} {
		s, err := b.best(x.ours, log(x.unit))
		if err != nil {
			return err
		}
		t.row(x.work, s[0], peer, s[1], bar)
	}
	if _, err := b.command(dir, "git", "reset", "-q", "--hard", head); err != nil {
		return err
	}
	releases, err := filepath.Glob(filepath.Join(dir, "instruments", filepath.FromSlash(closed), "*-release-*.toml"))
	if err != nil || len(releases) == 0 {
		return fmt.Errorf("%s has no release: %v", closed, err)
	}
	record := "instruments/" + closed + "/" + filepath.Base(releases[0])
	text, err := os.ReadFile(releases[0])
	if err != nil {
		return err
	}
	ref := "refs/heads/unit/" + closed
	was, err := b.commit(dir, ref)
	if err != nil {
		return err
	}
	told := filepath.Join(filepath.Dir(b.program), "told.toml")
	if err := os.WriteFile(told, append(text, "note = \"told later\"\n"...), 0o666); err != nil {
		return err
	}
	s, err := b.best(func() (spent, error) {
		s, err := ours("correct", record, "--from", told, "--reason", "told later")()
		if err != nil {
			return s, err
		}
		if _, err := b.command(dir, "git", "reset", "-q", "--hard", head); err != nil {
			return s, err
		}
		_, err = b.command(dir, "git", "update-ref", ref, was)
		return s, err
	}, log(closed))
	if err != nil {
		return err
	}
	t.row("correct", s[0], peer, s[1], bar)
	help, err := b.best(ours("--help"), ours("__complete", "record", ""))
	if err != nil {
		return err
	}
	t.alone("--help", help[0])
	t.alone("completion", help[1])
	return nil
}

// units names a unit with a job on the bench and one without: of each kind the one
// that was touched longest ago.
func (b *bench) units(dir string) (open, closed string, err error) {
	names, err := filepath.Glob(filepath.Join(dir, "instruments", "*", "*"))
	if err != nil {
		return "", "", err
	}
	var openLast, closedLast string
	for _, name := range names {
		unit := filepath.Base(filepath.Dir(name)) + "/" + filepath.Base(name)
		releases, _ := filepath.Glob(filepath.Join(name, "*-release-*.toml"))
		intakes, _ := filepath.Glob(filepath.Join(name, "*-intake-*.toml"))
		records, _ := filepath.Glob(filepath.Join(name, "[0-9]*.toml"))
		if len(intakes) == 0 {
			continue
		}
		last := filepath.Base(records[len(records)-1]) // the names begin with the days
		switch {
		case len(intakes) > len(releases) && (open == "" || last < openLast):
			open, openLast = unit, last
		case len(intakes) <= len(releases) && (closed == "" || last < closedLast):
			closed, closedLast = unit, last
		}
	}
	if open == "" || closed == "" {
		return "", "", fmt.Errorf("%s has no open unit, or no closed one", dir)
	}
	return open, closed, nil
}

// growth says how much longer twice the ledger takes, and whether that holds.
func (b *bench) growth(units []int) bool {
	held := true
	for i := 1; i < len(units); i++ {
		a, z := units[i-1], units[i]
		times := float64(b.cold[z]) / float64(b.cold[a])
		doubled := math.Pow(times, 1/math.Log2(float64(z)/float64(a)))
		holds := "yes"
		if doubled > 2.2 {
			holds, held = "NO", false
		}
		fmt.Fprintf(b.out, "\ngrowth, check cold: %d to %d units takes %.2f times as long, %.2f a doubling (bar 2.20): %s\n", a, z, times, doubled, holds)
	}
	return held
}
