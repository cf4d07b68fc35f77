package form

import (
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"benchlore/schema"
	"benchlore/schema/remedy"
)

// set puts the text of an answer into a key. The error says what to write
// instead: see [remedy.Parts].
func set(v reflect.Value, f schema.Field, text string) error {
	if text == "" {
		v.SetZero()
		return nil
	}
	if v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		return set(v.Elem(), f, text)
	}
	if v.Type() == reflect.TypeFor[schema.Date]() {
		d, err := schema.ParseDate(text)
		if err != nil {
			return remedy.Errorf("%q is not a date => write it like 2031-03-04", text)
		}
		v.Set(reflect.ValueOf(d))
		return nil
	}
	switch v.Kind() {
	case reflect.Int:
		n, err := strconv.Atoi(text)
		if err != nil {
			return remedy.Errorf("%q is not a whole number => write one, such as 12", text)
		}
		v.SetInt(int64(n))
		return least(f, float64(n))
	case reflect.Float64:
		x, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil || x != x || x-x != 0 {
			return remedy.Errorf("%q is not a number => write one, such as 1523.4", text)
		}
		v.SetFloat(x)
		return least(f, x)
	case reflect.Bool:
		yes := strings.EqualFold(text, "yes") || strings.EqualFold(text, "true")
		v.SetBool(yes)
		return nil
	case reflect.Slice:
		l := reflect.MakeSlice(v.Type(), 0, 1)
		for _, one := range split(text) {
			e := reflect.New(v.Type().Elem()).Elem()
			if err := set(e, f, one); err != nil {
				return err
			}
			l = reflect.Append(l, e)
		}
		v.Set(l)
		return nil
	}
	if err := plain(f, text); err != nil {
		return err
	}
	v.SetString(text)
	if w := f.Words(); w != nil && !slices.Contains(w, text) {
		return remedy.Errorf("%q is not known here => write one of: %s", text, strings.Join(w, ", "))
	}
	if c, ok := v.Interface().(interface{ Check() error }); ok {
		return c.Check()
	}
	return nil
}

func least(f schema.Field, x float64) error {
	if f.HasMin && x < f.Min {
		return remedy.Errorf("%v is too small => write %v or more", x, f.Min)
	}
	return nil
}

// plain refuses characters that nobody sees; a terminal may paste them.
func plain(f schema.Field, text string) error {
	for _, r := range text {
		if r == '\n' && f.Key == "note" {
			continue
		}
		if unicode.Is(unicode.C, r) || unicode.Is(unicode.Zl, r) || unicode.Is(unicode.Zp, r) {
			return remedy.Errorf("it contains an invisible character (U+%04X) => type it again without it", r)
		}
	}
	return nil
}
