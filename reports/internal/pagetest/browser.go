package pagetest

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
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
)

// Need finds a program a test stands on. Without it the test is skipped, or
// fails where CI=true says that everything is there.
func Need(t testing.TB, names ...string) string {
	t.Helper()
	for _, n := range names {
		if p, err := exec.LookPath(n); err == nil {
			return p
		}
	}
	Missing(t, strings.Join(names, " or ")+" is not installed")
	return ""
}

func Missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatal(what)
	}
	t.Skip(what)
}

// chromium is the one browser that all tests of a run share. Its tab is used
// by one test after the other.
var chromium struct {
	start sync.Once
	tab   context.Context
	err   error
	stop  []context.CancelFunc
}

// Browser gives the browser's tab, and starts it for the first test that asks.
func Browser(t testing.TB) context.Context {
	t.Helper()
	program := Need(t, "chromium", "chromium-browser", "google-chrome")
	chromium.start.Do(func() { chromium.tab, chromium.err = startBrowser(program) })
	if chromium.err != nil {
		Missing(t, "Chromium does not start: "+chromium.err.Error())
	}
	return chromium.tab
}

func startBrowser(program string) (context.Context, error) {
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(program))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox) // Chromium refuses to start as root with one
	}
	ctx, stop := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, closeTab := chromedp.NewContext(ctx)
	chromium.stop = append(chromium.stop, stop, closeTab)
	return ctx, chromedp.Do(ctx)
}

// viewed is a page in the browser and what went wrong on it.
type viewed struct {
	t    testing.TB
	Ctx  context.Context
	Mu   sync.Mutex
	Said []string
}

// View opens a file in the browser's only tab: Chromium does not draw, nor
// resize, one that lies behind another.
func View(t testing.TB, tab context.Context, file string) *viewed {
	t.Helper()
	ctx, done := context.WithCancel(tab) // ends the listening
	t.Cleanup(done)
	v := &viewed{t: t, Ctx: ctx}
	address := "file://" + filepath.ToSlash(file)
	v.do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
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
			if e.Request.URL != address && !strings.HasPrefix(e.Request.URL, "data:") {
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
			v.Mu.Lock()
			v.Said = append(v.Said, what)
			v.Mu.Unlock()
		}
	}); err != nil {
		t.Fatal(err)
	}
	v.Media("")
	v.Size(1280, 800, false)
	v.do(chromedp.Navigate(address))
	return v
}

func (v *viewed) do(a ...chromedp.Action[chromedp.Void]) {
	v.t.Helper()
	ctx, done := context.WithTimeout(v.Ctx, time.Minute)
	defer done()
	if err := chromedp.Do(ctx, a...); err != nil {
		v.t.Fatal(err)
	}
}

func (v *viewed) Size(width, height int64, mobile bool) {
	v.t.Helper()
	v.do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetDeviceMetricsOverride,
			emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: 1, Mobile: mobile})
		return err
	}))
}

func (v *viewed) Media(name string) {
	v.t.Helper()
	v.do(chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: name})
		return err
	}))
}

// Ask evaluates an expression that gives JSON.
func Ask[T any](v *viewed, expression string) T {
	v.t.Helper()
	s, err := chromedp.Run(v.Ctx, chromedp.Evaluate[string]("JSON.stringify("+expression+")"))
	if err != nil {
		v.t.Fatal(err)
	}
	var out T
	if err := json.Unmarshal([]byte(s), &out); err != nil {
		v.t.Fatalf("%s: %v", s, err)
	}
	return out
}

// Overhang lists what stands out of the page to the right, but for what its
// box scrolls to.
const Overhang = `[...document.querySelectorAll("body *")].filter(e => {
	if (e.closest("svg") && e.tagName != "svg") return false;
	const scroll = e.closest(".scroll");
	if (scroll && scroll != e && getComputedStyle(scroll).overflowX == "auto") return false;
	const r = e.getBoundingClientRect();
	return r.width > 0 && r.right > document.documentElement.clientWidth + 1;
}).map(e => e.tagName + " " + e.className + " " + e.textContent.slice(0, 40)).slice(0, 5)`

// RunTests runs a package's tests and stops the browser.
func RunTests(m *testing.M) int {
	code := m.Run()
	for _, stop := range slices.Backward(chromium.stop) {
		stop()
	}
	return code
}
