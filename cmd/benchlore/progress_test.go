package main

import (
	"bytes"
	"strings"
	"testing"
	"time"
)

func TestBar(t *testing.T) {
	now := time.Date(2031, 3, 4, 10, 0, 0, 0, time.UTC)
	var out bytes.Buffer
	b := newBar(&out, "reading units", 60, func() time.Time { return now })
	b.show(1, 1000)
	now = now.Add(patience - 1)
	b.show(100, 1000)
	if out.Len() > 0 {
		t.Errorf("drawn too soon: %q", out.String())
	}
	now = now.Add(time.Second)
	for i := 101; i < 1000; i++ {
		b.show(i, 1000)
	}
	lines := strings.Split(out.String(), "\r")[1:]
	if len(lines) != 90 { // once for every hundredth from the tenth on
		t.Errorf("drawn %d times", len(lines))
	}
	if want := "reading units  [##..........................]   100 of 1000"; lines[0] != want {
		t.Errorf("got  %q\nwant %q", lines[0], want)
	}
	for _, l := range lines {
		if len(l) != len(lines[0]) || len(l) >= 60 {
			t.Errorf("%d columns: %q", len(l), l)
		}
	}
	out.Reset()
	b.show(1000, 1000)
	if want := "\r" + strings.Repeat(" ", len(lines[0])) + "\r"; out.String() != want {
		t.Errorf("not wiped out: %q", out.String())
	}
	out.Reset()
	b.show(1, 10) // a second step begins its own wait
	b.show(2, 10)
	b.show(10, 10)
	if out.Len() > 0 {
		t.Errorf("a short step drew %q", out.String())
	}
	narrow := newBar(&out, "reading units", 20, func() time.Time { return now })
	narrow.show(1, 10)
	now = now.Add(time.Second)
	narrow.show(5, 10)
	if out.Len() > 0 {
		t.Errorf("drawn where there is no room: %q", out.String())
	}
}
