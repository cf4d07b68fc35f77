package main

import (
	"os"
	"path/filepath"
	"strings"
)

// benchDay is the day it is in the scripts, unless they say otherwise.
const benchDay = "2031-03-04T10:00:00+01:00"

// benchFiles are the files of the small ledger that most scripts start from:
// a shop with two technicians, two models, one of them hardly known yet, and
// one unit of each, the first with an open job.
const benchFiles = `
-- shop.toml --
format = 1
name = "Halden Street Workshop"
contact = "Halden Street 4, ring twice"
currency = "EUR"

[[technician]]
id = "mw"
name = "Maren Wickstead"
email = "maren@halden-street.example"

[[technician]]
id = "jt"
name = "Jory Tarn"
email = "jory@halden-street.example"

[[test_instrument]]
id = "dmm-1"
name = "bench multimeter"

  [[test_instrument.calibration]]
  date = 2030-06-01
  due = 2031-06-01
-- models/astrella-61.toml --
maker = "Corvane"
name = "Astrella 61"
about = "transistor combo organ, 61 keys"
made = "1968/1976"

[[section]]
name = "power supply"
board = "PS-3"

[[section]]
name = "divider"
count = 12
board = "divider"
revision = "B"

[[section]]
name = "keybed"
complete = true

  [[section.position]]
  ref = "key:1-61/contact.1-2"
  family = "contact/key"

  [[section.position]]
  count = 120
  family = "board/joint"

[[section]]
name = "chassis"

[[board]]
name = "PS-3"
complete = true

  [[board.position]]
  ref = "C1"
  family = "capacitor/electrolytic"
  value = "2200 uF"
  rating = "35 V"

  [[board.position]]
  ref = "C6, C14"
  family = "capacitor/tantalum"
  value = "10 uF"
  rating = "25 V"

  [[board.position]]
  ref = "R1-R4"
  family = "resistor/carbon"
  value = "4k7"

  [[board.position]]
  ref = "Q1"
  family = "transistor/silicon"

  [[board.position]]
  count = 64
  family = "board/joint"

[[board]]
name = "divider"
revision = "B"

  [[board.position]]
  ref = "C1-C8"
  family = "capacitor/electrolytic"
  value = "2u2"
  rating = "25 V"

  [[board.position]]
  ref = "Q1-Q6"
  family = "transistor/germanium"

[[limit]]
point = "+15 V rail"
low = "14.7 V"
high = "15.6 V"
source = "maker's service sheet 3"

[[kit]]
name = "recap"
revision = "1"
title = "all electrolytics of the dividers"

  [[kit.part]]
  section = "divider 1-12"
  ref = "C1-C8"
  action = "replaced"
  new = {value = "2.2 uF", rating = "63 V"}
-- models/longwave-3.toml --
maker = "Quillard"
name = "Longwave 3"

[[section]]
name = "transport"

[[section]]
name = "amplifier"
board = "LW-A"

[[board]]
name = "LW-A"
-- lots/2030-el-2u2.toml --
family = "capacitor/electrolytic"
date = 2030-01-15
quantity = 200
supplier = "Orrin Parts"

[part]
value = "2.2 uF"
rating = "63 V"
-- instruments/astrella-61/a61-10233/.gitattributes --
* -text -filter -ident
-- instruments/astrella-61/a61-10233/instrument.toml --
format = 1
uuid = "0b0f7a52-8a55-4e5c-9f0c-2d6f3b6a1c11"
maker = "Corvane"
model = "Astrella 61"
built = "1971/1972"
built_from = "date codes"

[[serial]]
place = "plate"
value = "10233"
how = "read"
-- instruments/astrella-61/a61-10233/2031-03-01-intake-7q3f.toml --
kind = "intake"
date = 2031-03-01
by = "mw"
reason = "overhaul"
works = "partly"

[[fault]]
id = "F1"
symptom = "hum at line out"

[[fault]]
id = "F2"
symptom = "key 17 crackles"
conditions = "cold"
-- instruments/longwave-3/lw3-2204/.gitattributes --
* -text -filter -ident
-- instruments/longwave-3/lw3-2204/instrument.toml --
format = 1
uuid = "5e1d6c1a-6d0c-4d9b-8a51-0c7e1a2b3c22"
maker = "Quillard"
model = "Longwave 3"

[[serial]]
place = "plate"
how = "missing"
`

// release is a record that ends the job of the unit on the bench cleanly.
const release = `kind = "release"
date = 2031-03-04
by = "mw"
works = "fully"
mains = "230 V"
fuse = "315 mA T"

[[fault]]
id = "F1"
state = "cured"

[[fault]]
id = "F2"
state = "cured"
`

// layBench starts the small ledger in dir: the shop's files, then what the
// program itself makes of them.
func layBench(dir string, run func(dir string, args ...string) error) error {
	if err := run("", "start", dir, "--name", "Halden Street Workshop"); err != nil {
		return err
	}
	for _, f := range strings.Split(benchFiles, "\n-- ")[1:] {
		p, text, _ := strings.Cut(f, " --\n")
		name := filepath.Join(dir, filepath.FromSlash(p))
		if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
			return err
		}
		if err := os.WriteFile(name, []byte(strings.TrimSuffix(text, "\n")+"\n"), 0o666); err != nil {
			return err
		}
	}
	// The number is from the range that is kept free for drama, 020 7946 0000 to 0999.
	if err := os.WriteFile(filepath.Join(dir, "private", "customers.toml"), []byte(
		"[[customer]]\ncode = \"K17\"\nname = \"Odile Brannock\"\nphone = \"+44 20 7946 0123\"\nemail = \"odile@brannock.example\"\n"), 0o600); err != nil {
		return err
	}
	if err := run(dir, "save"); err != nil {
		return err
	}
	return run(dir, "on", "a61-10233")
}
