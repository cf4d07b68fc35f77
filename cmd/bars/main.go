// Command bars measures the program against its peers on synthetic ledgers, in
// one run on one machine, and prints the ratios: stock git for what git does too,
// the TOML library alone for reading, R's survival package for the statistics.
//
//	go run ./cmd/bars -units 1000,2000,10000
//
// Each figure is the best of -runs. "Cold" is without what was kept from earlier
// runs; files are in the system's cache either way.
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
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"benchlore/examples/synth"
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

func run(args []string, out, errw io.Writer) int {
	set := flag.NewFlagSet("bars", flag.ContinueOnError)
	set.SetOutput(errw)
	sizes := set.String("units", "1000,2000", "sizes of the ledgers, in units; each about 12 records a unit")
	runs := set.Int("runs", 3, "the best of so many runs counts")
	dir := set.String("dir", "", "keep the ledgers in this folder, and use those that are there; left out: a temporary one")
	observations := set.Int("observations", 100_000, "rows for the statistics; 0: leave them out")
	decode := set.String("decode", "", "only decode the TOML files below a folder, with the library alone")
	if err := set.Parse(args); err != nil {
		return 2
	}
	fail := func(err error) int {
		fmt.Fprintln(errw, "bars:", err)
		return 3
	}
	if *decode != "" {
		if err := decodeAll(*decode); err != nil {
			return fail(err)
		}
		return 0
	}
	var units []int
	for _, s := range strings.Split(*sizes, ",") {
		n, err := strconv.Atoi(strings.TrimSpace(s))
		if err != nil || n < 10 {
			fmt.Fprintf(errw, "bars: %q is no size => write numbers of units from 10 up: -units 1000,2000\n", s)
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
	b := &bench{dir: *dir, runs: max(1, *runs), out: out, log: errw}
	if err := b.prepare(); err != nil {
		return fail(err)
	}
	fmt.Fprintf(out, "%s/%s, %d processors, best of %d\n", runtime.GOOS, runtime.GOARCH, runtime.NumCPU(), b.runs)
	for _, n := range units {
		if err := b.ledger(n); err != nil {
			return fail(err)
		}
	}
	b.growth(units)
	if *observations > 0 {
		if err := b.statistics(*observations); err != nil {
			return fail(err)
		}
	}
	return 0
}

// bench is a program built for the purpose, in a home of its own.
type bench struct {
	dir      string
	runs     int
	out, log io.Writer
	program  string
	self     string
	env      []string
	cold     map[int]time.Duration // check without anything kept, by units
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
	b.program, b.self = filepath.Join(bin, "benchlore"), filepath.Join(bin, "bars")
	for name, pkg := range map[string]string{b.program: "benchlore/cmd/benchlore", b.self: "benchlore/cmd/bars"} {
		if out, err := exec.Command("go", "build", "-o", name, pkg).CombinedOutput(); err != nil {
			return fmt.Errorf("building %s: %v\n%s", pkg, err, out)
		}
	}
	home := filepath.Join(bin, "home")
	if err := os.Mkdir(home, 0o777); err != nil {
		return err
	}
	config := "[user]\n\tname = Maren Wickstead\n\temail = maren@halden-street.example\n[gc]\n\tauto = 0\n[safe]\n\tdirectory = *\n"
	if err := os.WriteFile(filepath.Join(home, ".gitconfig"), []byte(config), 0o666); err != nil {
		return err
	}
	b.env = append(os.Environ(), "HOME="+home, "USERPROFILE="+home, "GIT_CONFIG_NOSYSTEM=1")
	b.cold = map[int]time.Duration{}
	return nil
}

// spent is what a command took.
type spent struct {
	time   time.Duration
	memory int64 // largest resident set in KiB; 0 where the system does not say
}

func (s spent) String() string { return s.time.Round(time.Millisecond).String() }

// command runs a program in a folder. Exit code 1, problems found, is no failure.
func (b *bench) command(dir string, args ...string) (spent, error) {
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Dir, cmd.Env = dir, b.env
	var errs strings.Builder
	cmd.Stderr = &errs
	start := time.Now()
	err := cmd.Run()
	s := spent{time: time.Since(start), memory: residentKiB(cmd.ProcessState)}
	if exit := (*exec.ExitError)(nil); errors.As(err, &exit) && exit.ExitCode() == 1 {
		err = nil
	}
	if err != nil {
		return s, fmt.Errorf("%s: %v\n%s", strings.Join(args, " "), err, errs.String())
	}
	return s, nil
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

// ledger measures one ledger.
func (b *bench) ledger(n int) error {
	dir := filepath.Join(b.dir, fmt.Sprintf("units-%d", n))
	if _, err := os.Stat(dir); err != nil {
		opt, err := synth.Preset("bench", n, 1)
		if err != nil {
			return err
		}
		opt.Open, opt.Records = max(1, n/250), 10
		l, err := synth.Generate(opt)
		if err != nil {
			return err
		}
		fmt.Fprintf(b.log, "making %s\n", dir)
		if _, err := l.Write(dir, synth.WriteOptions{Commits: min(3*n, 3000)}); err != nil {
			return err
		}
	}
	files, size, err := tomlFiles(dir)
	if err != nil {
		return err
	}
	fmt.Fprintf(b.out, "\n%d units, %d TOML files, %.0f MB\n", n, len(files), float64(size)/1e6)
	w := tabwriter.NewWriter(b.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "work\there\tpeer\t\tratio\tbar\tholds\tmemory")
	row := func(work string, here spent, peer string, there spent, bar float64) {
		ratio := float64(here.time) / float64(there.time)
		holds := "yes"
		if ratio > bar {
			holds = "NO"
		}
		memory := "-"
		if here.memory > 0 {
			memory = fmt.Sprintf("%d MB", here.memory/1024)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%.2f\t%.2f\t%s\t%s\n", work, here, peer, there, ratio, bar, holds, memory)
	}
	git := func(args ...string) func() (spent, error) {
		return func() (spent, error) { return b.command(dir, append([]string{"git"}, args...)...) }
	}
	ours := func(args ...string) func() (spent, error) {
		return func() (spent, error) { return b.command(dir, append([]string{b.program}, args...)...) }
	}

	open, closed, err := b.units(dir)
	if err != nil {
		return err
	}
	line := 0
	s, err := b.best(ours("part", "--unit", open, "--by", "mw", "power supply", "@under C1", "ok"), func() (spent, error) {
		line++
		file := fmt.Sprintf("instruments/%s/2031-01-01-note-%s.toml", open, []string{"aaaa", "bbbb", "cccc", "dddd", "eeee", "ffff", "gggg", "hhhh"}[line%8])
		text := fmt.Sprintf("kind = \"note\"\ndate = 2024-01-01\nnote = \"line %d\"\n", line)
		if err := os.WriteFile(filepath.Join(dir, filepath.FromSlash(file)), []byte(text), 0o666); err != nil {
			return spent{}, err
		}
		add, err := b.command(dir, "git", "add", file)
		if err != nil {
			return add, err
		}
		commit, err := b.command(dir, "git", "commit", "-qm", "a line")
		return spent{time: add.time + commit.time}, err
	})
	if err != nil {
		return err
	}
	row("one part line", s[0], "git add, git commit", s[1], 1)
	// Back to where it was: the notes git committed are none of ours.
	if _, err := b.command(dir, "git", "reset", "-q", "--hard", fmt.Sprintf("HEAD~%d", 2*b.runs)); err != nil {
		return err
	}

	cold := func() (spent, error) {
		if err := os.RemoveAll(filepath.Join(dir, ".git", "benchlore", "derived")); err != nil {
			return spent{}, err
		}
		return b.command(dir, b.program, "check")
	}
	if s, err = b.best(cold, func() (spent, error) { return b.command(dir, b.self, "-decode", dir) }); err != nil {
		return err
	}
	b.cold[n] = s[0].time
	row("check, cold", s[0], "the TOML library alone", s[1], 1.25)
	for _, args := range [][]string{{"check"}, {"list"}, {"where"}, {"reliability"}} {
		if _, err := ours(args...)(); err != nil { // what it keeps is kept now
			return err
		}
		if s, err = b.best(ours(args...), git("status")); err != nil {
			return err
		}
		row(args[0]+", warm", s[0], "git status", s[1], 5)
	}
	if s, err = b.best(ours("report", closed), git("log", "-p", "--", "instruments/"+closed)); err != nil {
		return err
	}
	row("report of a unit", s[0], "git log -p of its folder", s[1], 1)
	return w.Flush()
}

// units names a unit with a job on the bench and one without.
func (b *bench) units(dir string) (open, closed string, err error) {
	names, err := filepath.Glob(filepath.Join(dir, "instruments", "*", "*"))
	if err != nil {
		return "", "", err
	}
	for _, name := range names {
		unit := filepath.Base(filepath.Dir(name)) + "/" + filepath.Base(name)
		releases, _ := filepath.Glob(filepath.Join(name, "*-release-*.toml"))
		intakes, _ := filepath.Glob(filepath.Join(name, "*-intake-*.toml"))
		switch {
		case len(intakes) > len(releases):
			open = unit
		case len(intakes) > 0:
			closed = unit
		}
		if open != "" && closed != "" {
			return open, closed, nil
		}
	}
	return "", "", fmt.Errorf("%s has no open unit, or no closed one", dir)
}

// growth says how much longer twice the ledger takes.
func (b *bench) growth(units []int) {
	for i := 1; i < len(units); i++ {
		a, z := units[i-1], units[i]
		times := float64(b.cold[z]) / float64(b.cold[a])
		fmt.Fprintf(b.out, "\ngrowth, check cold: %d to %d units takes %.2f times as long, %.2f a doubling (bar 2.20)\n",
			a, z, times, math.Pow(times, 1/math.Log2(float64(z)/float64(a))))
	}
}
