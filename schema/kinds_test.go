package schema

import (
	"strings"
	"testing"
)

// TestKindTable holds every row of the table to what its readers count on.
func TestKindTable(t *testing.T) {
	ranks := map[int]Kind{}
	opens, ends := 0, 0
	for _, k := range kinds {
		if other, taken := ranks[k.rank]; taken {
			t.Errorf("%s and %s have the same place in a day", k.kind, other)
		}
		ranks[k.rank] = k.kind
		rec := New(k.kind)
		if rec == nil || KindOf(rec) != k.kind {
			t.Errorf("%s: an empty record of it is one of kind %q", k.kind, KindOf(rec))
		}
		if !strings.HasSuffix(k.about, ".") {
			t.Errorf("%s: %q is no sentence", k.kind, k.about)
		}
		if k.aside && k.stay != StayTold {
			t.Errorf("%s is work on a unit and yet no evidence", k.kind)
		}
		switch k.stay {
		case StayOpens:
			opens++
		case StayEnds:
			ends++
		}
	}
	if opens != 1 || ends != 1 {
		t.Errorf("%d kinds open a stay and %d end one, want one each", opens, ends)
	}
	if New("repair") != nil || Kind("repair").About() != "" || !Kind("repair").Evidence() {
		t.Error("a kind nobody knows has a row")
	}
}

func TestSummary(t *testing.T) {
	for _, c := range []struct {
		rec  Record
		want string
	}{
		{&Intake{Reason: ReasonRepair, Works: WorksPartly, Faults: make([]Fault, 2)}, "repair, works: partly, 2 faults"},
		{&Intake{Reason: ReasonPurchase, Works: WorksNo}, "purchase, works: no"},
		{&Parts{Lines: make([]PartLine, 1), ApplyKits: []ApplyKit{{Kit: "recap", Revision: "2"}, {Kit: "felt"}}}, "1 line, kit recap 2, kit felt"},
		{&Parts{ApplyKits: []ApplyKit{{Kit: "recap"}}}, "kit recap"},
		{&Measurements{Tables: make([]Table, 2)}, "2 tables"},
		{&Measurements{Readings: make([]Reading, 1), Tables: make([]Table, 1)}, "1 reading, 1 table"},
		{&Safety{Checks: make([]SafetyCheck, 3)}, "3 checks"},
		{&Soak{Duration: "24 h"}, "24 h"},
		{&Soak{Duration: "24 h", Events: make([]SoakEvent, 1)}, "24 h, 1 event"},
		{&Mod{Name: "headphone socket"}, "headphone socket"},
		{&Release{Works: WorksFully}, "works: fully"},
		{&Followup{State: FollowupFaulty, SaidBy: "owner"}, "faulty, says the owner"},
		{&Custody{Event: CustodySold}, "sold"},
		{&Note{Title: "keys", Common: Common{Note: "bleached"}}, "keys"},
		{&Note{Common: Common{Note: "two\nlines"}}, "two lines"},
		{&Note{Common: Common{Note: strings.Repeat("ü", 61)}}, strings.Repeat("ü", 57) + "..."},
		{&Note{Common: Common{Note: strings.Repeat("ü", 60)}}, strings.Repeat("ü", 60)},
	} {
		if got := Summary(c.rec); got != c.want {
			t.Errorf("%s: got %q, want %q", KindOf(c.rec), got, c.want)
		}
	}
}
