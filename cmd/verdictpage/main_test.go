package main

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"benchlore/ledger/proof"
	"benchlore/reports/provenance"
)

// thePage is built once for all tests.
var thePage = sync.OnceValues(func() ([]byte, error) { return build("../..") })

// need names a program or a file a test stands on. Where CI=true says that all are
// there, its absence fails.
func need(t testing.TB, ok bool, what string) {
	t.Helper()
	switch {
	case ok:
	case os.Getenv("CI") == "true":
		t.Fatal(what)
	default:
		t.Skip(what)
	}
}

// desk is a browser with the page open from a file.
type desk struct {
	t    testing.TB
	ctx  context.Context
	mu   sync.Mutex
	said []string // requests, errors and messages, none of which should be
}

func open(t testing.TB) *desk {
	t.Helper()
	var program string
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil && program == "" {
			program = p
		}
	}
	need(t, program != "", "chromium is not installed")
	page, err := thePage()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "verdict.html")
	if err := os.WriteFile(file, page, 0o666); err != nil {
		t.Fatal(err)
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(program))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox) // Chromium refuses to start as root with one
	}
	ctx, stop := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(stop)
	ctx, closeTab := chromedp.NewContext(ctx)
	t.Cleanup(closeTab)
	if err := chromedp.Do(ctx); err != nil { // starts it, to live as long as the test
		t.Fatal(err)
	}
	d := &desk{t: t, ctx: ctx}
	address := "file://" + filepath.ToSlash(file)
	d.do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		if _, err := cdp.Call(ctx, target, network.Enable, network.EnableParams{}); err != nil {
			return err
		}
		_, err := cdp.Call(ctx, target, log.Enable, cdp.Empty{})
		return err
	}))
	if err := chromedp.Listen(ctx, func(e any) {
		what := ""
		switch e := e.(type) {
		case *network.EventRequestWillBeSent:
			if e.Request.URL != address && !strings.HasPrefix(e.Request.URL, "blob:") {
				what = "asks for " + e.Request.URL
			}
		case *runtime.EventConsoleAPICalled:
			what = fmt.Sprintf("console %s", e.Type)
		case *runtime.EventExceptionThrown:
			what = "exception " + e.ExceptionDetails.Text
		case *log.EventEntryAdded:
			what = fmt.Sprintf("%s %s: %s", e.Entry.Source, e.Entry.Level, e.Entry.Text)
		}
		if what != "" {
			d.mu.Lock()
			defer d.mu.Unlock()
			d.said = append(d.said, what)
		}
	}); err != nil {
		t.Fatal(err)
	}
	d.size(390, 844)
	d.do(chromedp.Navigate(address))
	return d
}

func (d *desk) do(steps ...chromedp.Action[chromedp.Void]) {
	d.t.Helper()
	ctx, done := context.WithTimeout(d.ctx, 2*time.Minute)
	defer done()
	if err := chromedp.Do(ctx, steps...); err != nil {
		d.t.Fatal(err)
	}
}

func (d *desk) size(width, height int64) {
	d.t.Helper()
	d.do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetDeviceMetricsOverride,
			emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: 1, Mobile: width < 768})
		return err
	}))
}

func (d *desk) dark(on bool) {
	d.t.Helper()
	value := "light"
	if on {
		value = "dark"
	}
	d.do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia,
			emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}}})
		return err
	}))
}

// ask evaluates an expression that gives JSON.
func ask[T any](d *desk, expression string) (out T) {
	d.t.Helper()
	ctx, done := context.WithTimeout(d.ctx, 2*time.Minute)
	defer done()
	s, err := chromedp.Run(ctx, chromedp.Evaluate[string]("JSON.stringify("+expression+")"))
	if err != nil {
		d.t.Fatal(err)
	}
	if err := json.Unmarshal([]byte(s), &out); err != nil {
		d.t.Fatalf("%s: %v", s, err)
	}
	return out
}

// verdict waits until the page has one, and tells it.
func (d *desk) verdict() (exit, words, history string) {
	d.t.Helper()
	for range 1200 {
		x := ask[[]string](d, `(() => { const v = document.getElementById("verdict"), b = document.getElementById("busy");
			return v.hidden || !b.hidden ? [] : [v.dataset.exit, v.innerText, v.dataset.history]; })()`)
		if len(x) == 3 {
			return x[0], x[1], x[2]
		}
		time.Sleep(50 * time.Millisecond)
	}
	d.t.Fatal("the page reaches no verdict in a minute")
	return "", "", ""
}

// pick chooses a file as a person does with the file dialog.
func (d *desk) pick(file string) {
	d.t.Helper()
	abs, err := filepath.Abs(file)
	if err != nil {
		d.t.Fatal(err)
	}
	ask[bool](d, `(() => { document.getElementById("verdict").hidden = true; return true; })()`)
	d.do(chromedp.SetUploadFiles("#file", []string{abs}))
}

// hear presses every group of the fingerprint.
func (d *desk) hear() {
	d.t.Helper()
	n := ask[int](d, `(() => { const b = document.querySelectorAll(".groups button"); b.forEach(x => x.click()); return b.length; })()`)
	if n != 11 { // 43 characters of base64
		d.t.Fatalf("the fingerprint is shown in %d groups", n)
	}
}

// picture keeps what the page looks like where BENCHLORE_PICTURES names a folder.
func (d *desk) picture(name string) {
	d.t.Helper()
	dir := os.Getenv("BENCHLORE_PICTURES")
	if dir == "" {
		return
	}
	data, err := chromedp.Run(d.ctx, chromedp.FullScreenshot(90))
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, name+".jpg"), data, 0o666)
	}
	if err != nil {
		d.t.Fatal(err)
	}
}

// quiet fails where the page asked for anything or complained.
func (d *desk) quiet() {
	d.t.Helper()
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, s := range d.said {
		d.t.Error(s)
	}
}

// reachable runs axe-core, whose file BENCHLORE_AXE names.
func (d *desk) reachable() {
	d.t.Helper()
	script, err := os.ReadFile(os.Getenv("BENCHLORE_AXE"))
	if err != nil {
		if os.Getenv("CI") == "true" {
			d.t.Fatal("BENCHLORE_AXE does not name axe.min.js (npm install axe-core)")
		}
		return
	}
	for _, dark := range []bool{false, true} {
		d.dark(dark)
		if _, err := chromedp.Run(d.ctx, chromedp.Evaluate[bool](string(script)+";true")); err != nil {
			d.t.Fatal(err)
		}
		s, err := chromedp.Run(d.ctx, chromedp.Evaluate[string](`axe.run(document, {resultTypes: ["violations"]}).then(r => JSON.stringify(
			r.violations.map(v => v.id + ": " + v.nodes.map(n => n.html.slice(0, 120)).join(" | "))))`, chromedp.EvalAwaitPromise))
		if err != nil {
			d.t.Fatal(err)
		}
		if s != "[]" {
			d.t.Errorf("dark %v: %s", dark, s)
		}
	}
	d.dark(false)
}

func kept(t testing.TB) []string {
	t.Helper()
	names, err := filepath.Glob("../../testdata/packets/*.zip")
	if err != nil || len(names) == 0 {
		t.Fatalf("no packets: %v", err)
	}
	return names
}

// here is what the program says of a packet, with a key and without.
func here(t testing.TB, data []byte, keys ...string) *proof.Verification {
	t.Helper()
	r := provenance.PacketReports()
	return proof.VerifyBytes(data, proof.Options{Trust: &proof.Trust{Expect: keys, Revoked: proof.Revoked{}}, Reports: &r})
}

// TestPackets: the page says of a packet what the program says, before the key is
// compared and after, on a telephone and on a desk; it asks nobody, complains of
// nothing, and shows the history and not the sender's page.
func TestPackets(t *testing.T) {
	d := open(t)
	d.picture("start")
	d.reachable()
	for i, name := range kept(t) {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		v := here(t, data)
		d.pick(name)
		exit, words, history := d.verdict()
		if want := fmt.Sprint(v.Exit); exit != want || history != string(v.Parts.History) {
			t.Errorf("%s: the page says %s, %s, and the program %s, %s", name, exit, history, want, v.Parts.History)
		}
		if !strings.Contains(words, "find out who signed it") {
			t.Errorf("%s: before any key is compared it says %q", name, words)
		}
		d.picture(fmt.Sprintf("packet-%d-before", i))
		d.hear()
		trusted := here(t, data, v.Key)
		exit, words, history = d.verdict()
		for range 100 { // the answer of before is there until the new one comes
			if exit != "4" {
				break
			}
			time.Sleep(100 * time.Millisecond)
			exit, words, history = d.verdict()
		}
		if want := fmt.Sprint(trusted.Exit); exit != want || history != string(trusted.Parts.History) {
			t.Errorf("%s: with the key compared the page says %s, %s, and the program %s, %s", name, exit, history, want, trusted.Parts.History)
		}
		if !strings.Contains(words, "signed by the key you compared") {
			t.Errorf("%s: with the key compared it says %q", name, words)
		}
		text := ask[string](d, `document.getElementById("says").textContent`)
		for _, f := range provenance.SealedProvenance(trusted.Travelled()).InShort {
			if !strings.Contains(text, f.Lines[0]) {
				t.Errorf("%s: the page does not say %q", name, f.Lines[0])
			}
		}
		for _, width := range []int64{1280, 390, 320} {
			d.size(width, 844)
			if w := ask[int64](d, "document.documentElement.scrollWidth"); w > width {
				t.Errorf("%s: at %d pixels the page is %d wide", name, width, w)
			}
			if width > 320 {
				d.picture(fmt.Sprintf("packet-%d-after-%d", i, width))
			}
		}
		d.size(390, 844)
		d.reachable()
		// Taking one group back takes the trust back.
		ask[bool](d, `(() => { document.querySelector(".groups button").click(); return true; })()`)
		for range 100 {
			if exit, _, _ = d.verdict(); exit == "4" {
				break
			}
			time.Sleep(100 * time.Millisecond)
		}
		if exit != "4" {
			t.Errorf("%s: with one group not heard it says %s", name, exit)
		}
		ask[bool](d, `(() => { document.getElementById("different").click(); return true; })()`)
		if _, words, _ = d.verdict(); !strings.Contains(words, "Not the shop’s key") {
			t.Errorf("%s: another key than the shop's gives %q", name, words)
		}
		d.picture(fmt.Sprintf("packet-%d-different", i))
		d.reachable()
	}
	d.quiet()
}

// TestPhotographs: they come when they are asked for, out of the history.
func TestPhotographs(t *testing.T) {
	d := open(t)
	for _, name := range kept(t) {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		want := len(provenance.SealedProvenance(here(t, data).Travelled()).Photos)
		d.pick(name)
		d.verdict()
		if ask[bool](d, `document.getElementById("photos") != null`) != (want > 0) {
			t.Fatalf("%s has %d photographs, and the page offers the button wrongly", name, want)
		}
		if want == 0 {
			continue
		}
		ask[bool](d, `(() => { document.getElementById("photos").click(); return true; })()`)
		drawn := 0
		for range 100 {
			if drawn = ask[int](d, `[...document.querySelectorAll("figure img")].filter(i => i.naturalWidth > 0).length`); drawn == want {
				break
			}
			time.Sleep(100 * time.Millisecond)
		}
		if drawn != want {
			t.Errorf("%s: %d of %d photographs are drawn", name, drawn, want)
		}
	}
	d.quiet()
}

// TestDropped: a packet that is dropped on the page, a byte of which was changed on
// its way, a file that is none, and one that is empty.
func TestDropped(t *testing.T) {
	d := open(t)
	data, err := os.ReadFile(kept(t)[0])
	if err != nil {
		t.Fatal(err)
	}
	drop := func(name string, data []byte) (exit, words string) {
		ask[bool](d, fmt.Sprintf(`(() => {
			document.getElementById("verdict").hidden = true;
			const b = Uint8Array.from(atob(%q), c => c.charCodeAt(0)), t = new DataTransfer();
			t.items.add(new File([b], %q));
			document.body.dispatchEvent(new DragEvent("drop", {dataTransfer: t, bubbles: true, cancelable: true}));
			return true; })()`, base64.StdEncoding.EncodeToString(data), name))
		exit, words, _ = d.verdict()
		return exit, words
	}
	if exit, words := drop("packet.zip", data); exit != "4" {
		t.Errorf("dropped: %s, %q", exit, words)
	}
	// A name that turns the writing around cannot make a line of the page say another thing.
	drop("packet\u202epiz.zip", data)
	if said := ask[string](d, `document.getElementById("doing").textContent`); !strings.Contains(said, "packet□piz.zip") {
		t.Errorf("a name with a hidden letter is shown as %q", said)
	}
	changed := bytes.Clone(data)
	changed[len(changed)/2] ^= 1
	want := here(t, changed)
	if exit, words := drop("packet.zip", changed); exit != fmt.Sprint(want.Exit) || want.Exit != 1 || !strings.Contains(words, "Broken") {
		t.Errorf("a byte changed: %s, %q; the program says %d", exit, words, want.Exit)
	}
	d.picture("broken")
	d.reachable()
	if ask[bool](d, `getComputedStyle(document.getElementById("says")).display != "none"`) {
		t.Error("what a broken packet says is shown")
	}
	for name, other := range map[string][]byte{"holiday.jpg": []byte("no packet at all, but some text that is long enough to be looked at"), "empty.zip": {}} {
		if exit, words := drop(name, other); exit != "1" && exit != "3" {
			t.Errorf("%s: %s, %q", name, exit, words)
		}
	}
	d.quiet()
}

// TestForgeries: packets that were changed by hand, in ways that a program or a person
// would, get the same verdict from the page as from the program.
func TestForgeries(t *testing.T) {
	if os.Getenv("BENCHLORE_TEST_LONG") == "" {
		t.Skip("BENCHLORE_TEST_LONG=1 runs it: it checks some two hundred packets in a browser")
	}
	d := open(t)
	verdicts := map[string]int{}
	dir := t.TempDir()
	compare := func(name string, data []byte) {
		t.Helper()
		file := filepath.Join(dir, "packet.zip")
		if err := os.WriteFile(file, data, 0o666); err != nil {
			t.Fatal(err)
		}
		v := here(t, data)
		d.pick(file)
		exit, _, history := d.verdict()
		if exit != fmt.Sprint(v.Exit) || history != string(v.Parts.History) {
			t.Errorf("%s: the page says %s, %s, and the program %d, %s", name, exit, history, v.Exit, v.Parts.History)
		}
		verdicts[exit]++
	}
	for _, name := range kept(t) {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		r, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
		if err != nil {
			t.Fatal(err)
		}
		// again packs the packet anew; change may alter a file, drop it (nil), or leave it.
		again := func(method uint16, under string, change func(name string, b []byte) []byte, more ...string) []byte {
			var out bytes.Buffer
			w := zip.NewWriter(&out)
			put := func(name string, b []byte) {
				f, err := w.CreateHeader(&zip.FileHeader{Name: under + name, Method: method})
				if err == nil {
					_, err = f.Write(b)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			for _, f := range r.File {
				in, err := f.Open()
				if err != nil {
					t.Fatal(err)
				}
				b, err := io.ReadAll(in)
				if err != nil {
					t.Fatal(err)
				}
				if b = change(f.Name, b); b != nil {
					put(f.Name, b)
				}
			}
			for _, name := range more {
				put(name, []byte("more"))
			}
			if err := w.Close(); err != nil {
				t.Fatal(err)
			}
			return out.Bytes()
		}
		same := func(_ string, b []byte) []byte { return b }
		compare("stored", again(zip.Store, "", same))
		compare("deflated, in a folder", again(zip.Deflate, "packet/", same))
		compare("with a desktop's own files", again(zip.Deflate, "", same, "__MACOSX/._report.pdf", ".DS_Store"))
		compare("with one file more", again(zip.Deflate, "", same, "readme.txt"))
		compare("with a path out of it", again(zip.Deflate, "", same, "../x"))
		rng := rand.New(rand.NewPCG(7, 7))
		for _, f := range r.File {
			compare(f.Name+" gone", again(zip.Deflate, "", func(n string, b []byte) []byte {
				if n == f.Name {
					return nil
				}
				return b
			}))
			for range 5 {
				compare(f.Name+" with a byte changed", again(zip.Deflate, "", func(n string, b []byte) []byte {
					if n == f.Name && len(b) > 0 {
						b[rng.IntN(len(b))] ^= byte(1 + rng.IntN(255))
					}
					return b
				}))
			}
			compare(f.Name+" cut short", again(zip.Deflate, "", func(n string, b []byte) []byte {
				if n == f.Name {
					return b[:len(b)/2]
				}
				return b
			}))
		}
		for range 10 {
			changed := bytes.Clone(data)
			changed[rng.IntN(len(changed))] ^= 1 << rng.IntN(8)
			compare("a bit of the zip changed", changed)
		}
		compare("the zip cut short", data[:len(data)*2/3])
	}
	t.Logf("verdicts by exit code: %v", verdicts)
	d.quiet()
}

// TestKeyboard: everything can be reached and used with keys alone.
func TestKeyboard(t *testing.T) {
	d := open(t)
	d.pick(kept(t)[0])
	d.verdict()
	pressed := 0
	for range 80 {
		d.do(chromedp.KeyEvent("\t"))
		if ask[bool](d, `document.activeElement.matches(".groups button[aria-pressed=false]")`) {
			d.do(chromedp.KeyEvent(" "))
			pressed++
		}
		if ask[bool](d, `document.activeElement.id == "label"`) {
			break
		}
	}
	exit := ""
	for range 100 {
		if exit, _, _ = d.verdict(); exit != "4" {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	if pressed != 11 || exit != "0" && exit != "5" {
		t.Errorf("%d groups were pressed with the keyboard, and the verdict is %s", pressed, exit)
	}
	if !ask[bool](d, `document.activeElement.id == "label"`) {
		t.Error("the field for the label's code cannot be reached with the keyboard")
	}
}

// TestSize holds the page to what a telephone loads at once.
func TestSize(t *testing.T) {
	page, err := thePage()
	if err != nil {
		t.Fatal(err)
	}
	if len(page) > 4_000_000 {
		t.Errorf("the page has %d bytes", len(page))
	}
}

// TestReproducible: the sources give the same bytes in another folder, so that
// anybody can hold a page against the published SHA-256.
func TestReproducible(t *testing.T) {
	if os.Getenv("BENCHLORE_TEST_LONG") == "" {
		t.Skip("BENCHLORE_TEST_LONG=1 runs it: it copies and compiles everything again")
	}
	git, err := exec.LookPath("git")
	need(t, err == nil, "git is not installed")
	files, err := exec.Command(git, "-C", "../..", "ls-files", "-z", "--cached", "--others", "--exclude-standard").Output()
	if err != nil {
		t.Fatal(err)
	}
	other := t.TempDir()
	for name := range strings.SplitSeq(strings.TrimSuffix(string(files), "\x00"), "\x00") {
		data, err := os.ReadFile(filepath.Join("../..", name))
		if os.IsNotExist(err) {
			continue // removed, and not yet in the index
		}
		if err == nil {
			err = os.MkdirAll(filepath.Dir(filepath.Join(other, name)), 0o777)
		}
		if err == nil {
			err = os.WriteFile(filepath.Join(other, name), data, 0o666)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	t.Setenv("GOCACHE", filepath.Join(t.TempDir(), "cache"))
	t.Setenv("GOFLAGS", "-race")
	there, err := build(other)
	if err != nil {
		t.Fatal(err)
	}
	if page, err := thePage(); err != nil || !bytes.Equal(page, there) {
		t.Errorf("two builds differ (%v)", err)
	}
}
