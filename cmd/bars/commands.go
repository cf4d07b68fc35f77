package main

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"benchlore/examples/synth"
)

// errand is one command of the program, and what must be there before it.
type errand struct {
	dir    string // where it is typed
	before func() error
	args   []string
}

// everyCommand runs every command of the program in a copy of the ledger in dir,
// and prints time and memory of each. It reports whether all stay below the bar.
// bare is a repository that holds the ledger, away a folder that goes afterwards.
func (b *bench) everyCommand(n int, dir, bare, away string) (bool, error) {
	open, closed, err := b.units(dir)
	if err != nil {
		return false, err
	}
	in := func(name string) string { return filepath.Join(away, name) }
	shop, second, other := in("shop"), in("second"), in("other")
	write := func(name, text string) func() error {
		return func() error { return os.WriteFile(name, []byte(text), 0o666) }
	}
	records := func(unit string) string { return filepath.Join(shop, "instruments", filepath.FromSlash(unit)) }
	model := path.Dir(open)
	releases, err := filepath.Glob(filepath.Join(dir, "instruments", filepath.FromSlash(closed), "*-release-*.toml"))
	if err != nil || len(releases) == 0 {
		return false, fmt.Errorf("%s has no release: %v", closed, err)
	}
	record := "instruments/" + closed + "/" + filepath.Base(releases[0])
	said := func(at, text string) error {
		name := filepath.Join(at, filepath.FromSlash(record))
		old, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		return os.WriteFile(in("record.toml"), append(old, text...), 0o666)
	}
	lots, err := filepath.Glob(filepath.Join(dir, "lots", "*.toml"))
	if err != nil || len(lots) == 0 {
		return false, fmt.Errorf("%s has no lots: %v", dir, err)
	}
	lot := strings.TrimSuffix(filepath.Base(lots[len(lots)/2]), ".toml")
	key := filepath.Join(filepath.Dir(b.program), "home", "key.pub")
	sharing := func(at string) func() error {
		return func() error {
			name := filepath.Join(at, "shop.toml")
			old, err := os.ReadFile(name)
			if err != nil || strings.Contains(string(old), "[[remote]]") {
				return err
			}
			return os.WriteFile(name, append(old, remote(bare)...), 0o666)
		}
	}

	errands := []errand{
		{away, nil, []string{"join", bare, shop}},
		{away, nil, []string{"join", bare, second}},
		{shop, nil, []string{"check"}},
		{shop, nil, []string{"check", "--objects"}},
		{shop, nil, []string{"on", open}},
		{shop, nil, []string{"where"}},
		{shop, nil, []string{"list"}},
		{shop, nil, []string{"show", closed}},
		{shop, nil, []string{"history", closed}},
		{shop, nil, []string{"history", "--shop"}},
		{shop, nil, []string{"find", "hum"}},
		{shop, nil, []string{"trace", lot}},
		{shop, nil, []string{"order"}},
		{shop, nil, []string{"reliability", "--html", "-o", in("families.html")}},
		{shop, nil, []string{"report", closed, "-o", in("unit.html")}},
		{shop, nil, []string{"report", closed, "-o", in("unit.pdf")}},
		{shop, nil, []string{"label", closed, "-o", in("label.pdf")}},
		{shop, nil, []string{"advert", closed}},
		{shop, nil, []string{"cautions"}},
		{shop, nil, []string{"model", model}},
		{shop, nil, []string{"new", model, "bars-1"}},
		{shop, nil, []string{"on", open}},
		{shop, nil, []string{"record", "note", "--title", "what the bars wrote"}},
		{shop, nil, []string{"undo"}},
		{shop, func() error { return incomplete(filepath.Join(shop, "models", model+".toml")) }, []string{"save"}},
		{shop, nil, []string{"part", "power supply", "C990", "capacitor/ceramic", "ok", "in-circuit", "left"}},
		{shop, nil, []string{"move", model + "/bars-1", "--dry-run"}},
		{shop, write(filepath.Join(records(open), "2025-12-30-note-bars.toml"), "kind = \"note\"\ndate = 2025-12-30\nby = \"mw\"\ntitle = \"by hand\"\n"), []string{"save"}},
		{shop, nil, []string{"sheet", "-o", in("sheet.csv")}},
		{shop, func() error { return fillSheet(in("sheet.csv")) }, []string{"import", in("sheet.csv"), "--yes", "--by", "mw", "--date", "2025-12-30"}},
		{shop, func() error { return drawPhoto(in("photo.jpg")) }, []string{"photo", in("photo.jpg"), "--by", "mw"}},
		{shop, func() error { return os.WriteFile(in("sound.wav"), make([]byte, 8<<20), 0o666) }, []string{"attach", in("sound.wav"), "--title", "a recording", "--by", "mw"}},
		{shop, func() error { return said(shop, "note = \"told later\"\n") }, []string{"correct", record, "--from", in("record.toml"), "--reason", "told later"}},
		{shop, nil, []string{"checklist"}},
		{shop, nil, []string{"record", "release", "--works", "fully", "--by", "mw"}},
		{shop, nil, []string{"close", "--yes"}},
		{shop, nil, []string{"learn"}},
		{shop, nil, []string{"keys", "add", "maren@halden-street.example", key}},
		{shop, nil, []string{"seal", "--unsigned-history", closed}},
		{shop, nil, []string{"handover", closed, "-o", in("packet.zip")}},
		{shop, nil, []string{"verify", in("packet.zip"), "--ledger", shop}},
		{shop, func() error { return b.otherShop(other, in("theirs.zip")) }, []string{"adopt", in("theirs.zip"), "--as", "elsewhere/theirs-1", "--trust", "--by", "mw"}},
		{shop, sharing(shop), []string{"sync"}},
		{second, func() error { return said(second, "note = \"told elsewhere\"\n") }, []string{"correct", record, "--from", in("record.toml"), "--reason", "told elsewhere"}},
		{second, sharing(second), []string{"sync"}},
		{second, nil, []string{"settle"}},
		{second, nil, []string{"settle", record, "--keep"}},
		{shop, nil, []string{"backup", in("backup.zip")}},
		{shop, nil, []string{"backup", "--drill", "--read", in("backup.zip")}},
		{away, nil, []string{"restore", in("backup.zip"), in("restored")}},
		{away, nil, []string{"start", in("new"), "--name", "Halden Street Workshop", "--currency", "EUR"}},
		{away, nil, []string{"schema", in("schema")}},
		{away, nil, []string{"docs", "man", in("man")}},
		{away, nil, []string{"completion", "bash"}},
		{away, nil, []string{"demo", in("demo")}},
	}
	fmt.Fprintf(b.out, "\nevery command, %d units\n", n)
	t := b.plainTable(n)
	fmt.Fprintf(t.w, "command\ttime\tmemory\tbelow %d MB\n", mostMemory)
	for _, e := range errands {
		if e.before != nil {
			if err := e.before(); err != nil {
				return false, err
			}
		}
		s, err := b.run(e.dir, append([]string{b.program}, e.args...)...)
		want := 0
		if e.dir == second && len(e.args) == 1 {
			want = 1 // the two benches contradict each other: without that there is nothing to settle
		}
		if err == nil && s.exit != want && !slices.Contains([]string{"find", "checklist"}, e.args[0]) {
			err = fmt.Errorf("%s: exit code %d\n%s", strings.Join(e.args, " "), s.exit, s.said)
		}
		if err != nil {
			return false, err
		}
		fmt.Fprintf(t.w, "%s\t%s\t%s\n", strings.ReplaceAll(strings.Join(e.args, " "), away+string(filepath.Separator), ""), s, t.memory(s))
	}
	return t.held, t.w.Flush()
}

// incomplete lets a model have boards whose parts are not all known.
func incomplete(name string) error {
	text, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	return os.WriteFile(name, bytes.ReplaceAll(text, []byte("complete = true"), []byte("complete = false")), 0o666)
}

// fillSheet says of every row of a worksheet of parts that the part is well, and of
// parts that are counted that there is one.
func fillSheet(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	rows, err := csv.NewReader(f).ReadAll()
	f.Close()
	if err != nil {
		return err
	}
	at := map[string]int{}
	for c, head := range rows[0] {
		at[head] = c
	}
	for _, row := range rows[1:] {
		row[at["found"]], row[at["how"]], row[at["action"]] = "ok", "in-circuit", "left"
		if row[at["ref"]] == "" {
			row[at["count"]] = "1"
		}
	}
	if f, err = os.Create(name); err != nil {
		return err
	}
	defer f.Close()
	if err := csv.NewWriter(f).WriteAll(rows); err != nil {
		return err
	}
	return f.Close()
}

// drawPhoto writes a picture of twelve million points, as a telephone takes them.
func drawPhoto(name string) error {
	m := image.NewYCbCr(image.Rect(0, 0, 4000, 3000), image.YCbCrSubsampleRatio420)
	for i := range m.Y {
		m.Y[i] = byte(i * i >> 7)
	}
	for i := range m.Cb {
		c := color.YCbCrModel.Convert(color.RGBA{R: byte(i), G: byte(i >> 8), B: 90}).(color.YCbCr)
		m.Cb[i], m.Cr[i] = c.Cb, c.Cr
	}
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := jpeg.Encode(f, m, nil); err != nil {
		return err
	}
	return f.Close()
}

// otherShop makes a small ledger and a packet of one of its units.
func (b *bench) otherShop(dir, packet string) error {
	opt, err := synth.Preset("bench", 10, 2)
	if err != nil {
		return err
	}
	opt.Open = 1
	l, err := synth.Generate(opt)
	if err != nil {
		return err
	}
	if _, err := l.Write(dir, synth.WriteOptions{Commits: 30}); err != nil {
		return err
	}
	_, closed, err := b.units(dir)
	if err != nil {
		return err
	}
	for _, args := range [][]string{{"seal", "--unsigned-history", closed}, {"handover", closed, "-o", packet}} {
		if _, err := b.command(dir, append([]string{b.program}, args...)...); err != nil {
			return err
		}
	}
	return nil
}
