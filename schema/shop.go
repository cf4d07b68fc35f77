package schema

// Format is the version of what the ledger signs and hands on. Files have a
// [FileFormat] each.
const Format = 1

// Shop is shop.toml.
type Shop struct {
	Format          int              `toml:"format" need:"yes" doc:"version of the ledger's files"`
	Name            string           `toml:"name" need:"yes" doc:"the shop's name, as buyers read it"`
	Contact         string           `toml:"contact,omitempty" doc:"how a buyer reaches the shop"`
	HistoryEmail    string           `toml:"history_email,omitempty" doc:"the mail address that units' histories carry for everybody here; default: each person's own from git"`
	Currency        string           `toml:"currency,omitempty" doc:"ISO 4217 code: EUR, GBP"`
	Decimal         Decimals         `toml:"decimal,omitempty" doc:"how decimals are written in text for the shop: point (the default), comma; records keep what was written"`
	Dates           DateOrder        `toml:"dates,omitempty" doc:"how dates are written in text for the shop: year-month-day (the default), day-month-year, month-day-year; records keep 2031-03-04"`
	Technicians     []Technician     `toml:"technician" need:"yes" doc:"who may be named in by"`
	TestInstruments []TestInstrument `toml:"test_instrument,omitempty" doc:"what readings are taken with"`
	Remotes         []Remote         `toml:"remote,omitempty" doc:"git servers"`
}

// Technician is somebody who works at the bench.
type Technician struct {
	ID    string `toml:"id" need:"yes" doc:"short, as written in by"`
	Name  string `toml:"name" need:"yes" doc:"as reports show it"`
	Email string `toml:"email,omitempty" doc:"the address git commits carry"`
}

// TestInstrument is a meter, scope or gauge of the shop.
type TestInstrument struct {
	ID           string        `toml:"id" need:"yes" doc:"short, as written in with"`
	Name         string        `toml:"name" need:"yes" doc:"as reports show it"`
	Calibrations []Calibration `toml:"calibration,omitempty" doc:"every calibration; none: an indicator only"`
}

// Calibration covers readings from Date to Due, both included.
type Calibration struct {
	Date Date   `toml:"date" need:"yes" doc:"the day it was calibrated"`
	Due  Date   `toml:"due" need:"yes" doc:"the last day it is valid"`
	By   string `toml:"by,omitempty" doc:"who did it"`
	Note string `toml:"note,omitempty" doc:"certificate, remarks"`
}

// Remote is a git server the shop exchanges with.
type Remote struct {
	Name  string     `toml:"name" need:"yes" doc:"short"`
	URL   string     `toml:"url" need:"yes" doc:"where"`
	Role  RemoteRole `toml:"role" need:"yes" doc:"own: everything; peer: chosen units only"`
	Units []string   `toml:"units,omitempty" doc:"for a peer: the units it gets"`
}

// Lot is lots/<lot>.toml: parts bought together.
type Lot struct {
	Family   FamilyName  `toml:"family" need:"yes" doc:"group/kind"`
	Part     Component   `toml:"part" need:"yes" doc:"what they are"`
	Supplier string      `toml:"supplier,omitempty" doc:"from whom"`
	Date     Date        `toml:"date" need:"yes" doc:"the day they came"`
	Quantity int         `toml:"quantity" need:"yes" min:"1" doc:"how many"`
	Test     string      `toml:"test,omitempty" doc:"the incoming test and its result"`
	Tested   int         `toml:"tested,omitempty" min:"0" doc:"how many were tested"`
	Rejected int         `toml:"rejected,omitempty" min:"0" doc:"how many of those were bad"`
	Notices  []LotNotice `toml:"notice,omitempty" doc:"what was learnt later"`
	Note     string      `toml:"note,omitempty" doc:"anything else"`
}

// ListForm is lists/NAME.toml: how lists with these headings are read. It is the
// shop's own and never travels.
type ListForm struct {
	Headings []string     `toml:"headings" need:"yes" doc:"of the lists this is about, in their order"`
	Columns  []ListColumn `toml:"column,omitempty" doc:"what a column holds, where its heading does not say"`
	Words    []ListWord   `toml:"word,omitempty" doc:"what a word of these lists stands for"`
}

// ListColumn says what one column of a list holds.
type ListColumn struct {
	Heading string      `toml:"heading" need:"yes" doc:"as the list has it"`
	Holds   ColumnHolds `toml:"holds" need:"yes" doc:"what it is read as; none: it is not read"`
}

// ListWord says what a word of a list stands for.
type ListWord struct {
	Word  string `toml:"word" need:"yes" doc:"as the list has it: Netzteil"`
	Means string `toml:"means" need:"yes" doc:"as the ledger has it: power supply"`
	In    WordIn `toml:"in" need:"yes" doc:"where it stands: section, instrument"`
}

// LotNotice is what the shop learnt about a lot later.
type LotNotice struct {
	Date    Date       `toml:"date" need:"yes" doc:"the day"`
	By      string     `toml:"by" need:"yes" doc:"who"`
	Verdict LotVerdict `toml:"verdict" need:"yes" doc:"good, suspect, bad"`
	What    string     `toml:"what" need:"yes" doc:"what was found"`
}

// Families is families.toml: families added to or refining the built-in list.
type Families struct {
	Families []Family `toml:"family,omitempty" doc:"one family"`
}

// Family is a kind of component.
type Family struct {
	Name     FamilyName `toml:"name" need:"yes" doc:"group/kind"`
	Title    string     `toml:"title" need:"yes" doc:"as reports show it, in the plural: tantalum capacitors"`
	Failed   string     `toml:"failed,omitempty" doc:"when a part counts as failed"`
	Degraded string     `toml:"degraded,omitempty" doc:"when it counts as degraded"`
	Hidden   bool       `toml:"hidden,omitempty" doc:"true: the unit still plays when one has failed"`
	End      NormalEnd  `toml:"end,omitempty" doc:"its normal end: failed (the default), or worn: replaced as degraded before it fails"`
	Class    string     `toml:"class,omitempty" doc:"nearest MIL-HDBK-217F or IEC 61709 class, where there is one"`
}

// Customers is private/customers.toml: who the customer codes are.
type Customers struct {
	Customers []Customer `toml:"customer,omitempty" doc:"one customer"`
}

// Customer is one person behind a code. The file is ignored by git, so that
// a person can be forgotten.
type Customer struct {
	Code    string `toml:"code" need:"yes" doc:"as written in books/"`
	Name    string `toml:"name" need:"yes" doc:"the person's or firm's name"`
	Phone   string `toml:"phone,omitempty" doc:"telephone"`
	Email   string `toml:"email,omitempty" doc:"mail address"`
	Address string `toml:"address,omitempty" doc:"postal address"`
	Note    string `toml:"note,omitempty" doc:"anything else"`
}

// Book is one shop-only entry of books/<model>/<tag>/: it never travels.
type Book struct {
	Kind     BookKind `toml:"kind" need:"yes" doc:"commission, quote, labour, cost, sale, value"`
	Date     Date     `toml:"date" need:"yes" doc:"the day"`
	By       string   `toml:"by" need:"yes" doc:"who wrote it"`
	Job      string   `toml:"job,omitempty" doc:"the intake it belongs to"`
	Customer string   `toml:"customer,omitempty" doc:"the customer's code; the name stays in private/"`
	Amount   Decimal  `toml:"amount,omitempty" doc:"money, in quotes: 1250.00"`
	Currency string   `toml:"currency,omitempty" doc:"default: the shop's"`
	Time     Quantity `toml:"time,omitempty" doc:"time spent: 6.5 h"`
	What     string   `toml:"what,omitempty" doc:"for what"`
	Note     string   `toml:"note,omitempty" doc:"anything else"`
}
