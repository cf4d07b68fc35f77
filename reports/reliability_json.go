package reports

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"strconv"

	"benchlore/reports/lifedata"
)

type jsonReliability struct {
	Schema   int         `json:"schema"`
	Estimand string      `json:"estimand"`
	TimeUnit string      `json:"timeUnit"`
	Failure  string      `json:"failure"`
	AsOf     string      `json:"asOf"`
	Silence  Silence     `json:"silence"`
	By       []string    `json:"by"`
	Groups   []jsonGroup `json:"groups"`
	Notes    []string    `json:"notes"`
}

type jsonGroup struct {
	Key            jsonKey   `json:"key"`
	Units          jsonUnits `json:"units"`
	Parts          jsonParts `json:"parts"`
	Rate           *jsonRate `json:"rate"`
	RateRefused    string    `json:"rateRefused"`
	Weibull        *struct{} `json:"weibull"`
	WeibullRefused string    `json:"weibullRefused"`
	Rank           *struct{} `json:"rank"`
	Curve          *struct{} `json:"curve"`
}

type jsonUnits struct {
	Inspected int         `json:"inspected"`
	Affected  int         `json:"affected"`
	Share     *jsonNumber `json:"share"`
	Low       *jsonNumber `json:"low"`
	High      *jsonNumber `json:"high"`
}

type jsonParts struct {
	Handled      int         `json:"handled"`
	Tested       int         `json:"tested"`
	InService    int         `json:"inService"`
	Untested     int         `json:"untested"`
	Failed       int         `json:"failed"`
	Degraded     int         `json:"degraded"`
	Secondary    int         `json:"secondary"`
	External     int         `json:"external"`
	LeftOut      int         `json:"leftOut"`
	Share        *jsonNumber `json:"share"`
	Low          *jsonNumber `json:"low"`
	High         *jsonNumber `json:"high"`
	DesignEffect *jsonNumber `json:"designEffect"`
}

type jsonRate struct {
	Events       int         `json:"events"`
	PerYear      *jsonNumber `json:"perYear"`
	Low          *jsonNumber `json:"low"`
	High         *jsonNumber `json:"high"`
	Method       string      `json:"method"`
	LeftCensored *jsonNumber `json:"leftCensored"`
}

// jsonKey keeps the order the keys were asked for.
type jsonKey []KeyPart

func (k jsonKey) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, p := range k {
		if i > 0 {
			b.WriteByte(',')
		}
		name, err := json.Marshal(p.Name)
		if err != nil {
			return nil, err
		}
		value, err := json.Marshal(p.Value)
		if err != nil {
			return nil, err
		}
		b.Write(name)
		b.WriteByte(':')
		b.Write(value)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// jsonNumber is written with six significant digits: more would be noise, and
// would differ between processors.
type jsonNumber float64

func (n jsonNumber) MarshalJSON() ([]byte, error) {
	v, err := strconv.ParseFloat(strconv.FormatFloat(float64(n), 'g', 6, 64), 64)
	if err != nil {
		return nil, err
	}
	return json.Marshal(v)
}

// finite gives null for what is not a finite number.
func finite(v float64) *jsonNumber {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	n := jsonNumber(v)
	return &n
}

func (s Share) limits() lifedata.Interval {
	if s.Interval == nil {
		return lifedata.Interval{Low: math.NaN(), High: math.NaN()}
	}
	return *s.Interval
}

// notEstimated stands where a later version estimates more.
const notEstimated = "ages at failure are not modelled by this version"

// WriteJSON writes the report as JSON, with the reading of silence that was
// asked for. Shares and limits are null where there is nothing to take them
// from; a rate is null where it was refused.
func (r *Reliability) WriteJSON(w io.Writer) error {
	out := jsonReliability{Schema: 1, Estimand: Estimand, TimeUnit: "year", Failure: string(r.Failure), Silence: r.Silence,
		By: r.By, Groups: []jsonGroup{}, Notes: r.Notes}
	if !r.AsOf.IsZero() {
		out.AsOf = r.AsOf.String()
	}
	for _, g := range r.Groups {
		u, p := g.Units, g.Parts
		j := jsonGroup{Key: g.Key, RateRefused: g.RateRefused[r.Silence], WeibullRefused: notEstimated,
			Units: jsonUnits{Inspected: u.Inspected, Affected: u.Affected},
			Parts: jsonParts{Handled: p.Handled, Tested: p.Tested, InService: p.InService, Untested: p.Untested, Failed: p.Failed,
				Degraded: p.Degraded, Secondary: p.Secondary, External: p.External, LeftOut: p.LeftOut}}
		if u.Inspected > 0 {
			j.Units.Share, j.Units.Low, j.Units.High = finite(u.Share), finite(u.Interval.Low), finite(u.Interval.High)
		}
		if p.Handled > 0 {
			l := p.OfHandled.limits()
			j.Parts.Share, j.Parts.Low, j.Parts.High = finite(p.OfHandled.Share), finite(l.Low), finite(l.High)
			j.Parts.DesignEffect = finite(p.OfHandled.DesignEffect)
		}
		if x := g.Rates[r.Silence]; x != nil {
			j.Rate = &jsonRate{Events: x.Events, PerYear: finite(x.PerYear), Low: finite(x.Low), High: finite(x.High),
				Method: x.Method, LeftCensored: finite(x.LeftCensored)}
		}
		out.Groups = append(out.Groups, j)
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	return e.Encode(out)
}
