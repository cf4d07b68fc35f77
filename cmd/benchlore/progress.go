package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"
)

// patience is how long a step may take before a bar is shown for it.
const patience = 500 * time.Millisecond

// progress shows how far a long step is, on a terminal only. It returns nil
// elsewhere.
func (a *app) progress(what string) func(done, of int) {
	f, ok := a.err.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return nil
	}
	width := 80
	if w, _, err := term.GetSize(int(f.Fd())); err == nil {
		width = w
	}
	return newBar(f, what, width, time.Now).show
}

// bar is a progress bar of plain characters in the last line of a terminal. It is
// drawn once the step has taken a while, again only when it has grown, and wiped
// out by blanks, so that it needs nothing of the terminal but a carriage return.
type bar struct {
	w     io.Writer
	what  string
	width int
	now   func() time.Time
	start time.Time
	shown string
}

func newBar(w io.Writer, what string, width int, now func() time.Time) *bar {
	return &bar{w: w, what: what, width: width, now: now}
}

func (b *bar) show(done, of int) {
	switch {
	case done >= of:
		if b.shown != "" {
			fmt.Fprint(b.w, "\r"+strings.Repeat(" ", len(b.shown))+"\r")
		}
		b.shown, b.start = "", time.Time{}
		return
	case b.start.IsZero():
		b.start = b.now()
		return
	case b.now().Sub(b.start) < patience:
		return
	}
	hundredth := done * 100 / of
	tail := fmt.Sprintf("  %*d of %d", len(fmt.Sprint(of)), hundredth*of/100, of)
	room := min(b.width-1-len(b.what)-len(tail)-4, 40)
	if room < 5 {
		return
	}
	full := room * hundredth / 100
	line := fmt.Sprintf("%s  [%s%s]%s", b.what, strings.Repeat("#", full), strings.Repeat(".", room-full), tail)
	if line != b.shown {
		fmt.Fprint(b.w, "\r"+line)
		b.shown = line
	}
}
