package schema

import "reflect"

// Plain turns a record or another file's value into maps, lists, texts and
// numbers under the keys of the file, absent keys left out: what JSON output
// prints. Dates become texts.
func Plain(v any) any { return plain(reflect.ValueOf(v)) }

func plain(v reflect.Value) any {
	for v.Kind() == reflect.Pointer || v.Kind() == reflect.Interface {
		if v.IsNil() {
			return nil
		}
		v = v.Elem()
	}
	if d, ok := v.Interface().(Date); ok {
		return d.String()
	}
	switch v.Kind() {
	case reflect.Struct:
		m := map[string]any{}
		for _, f := range fieldList(v.Type()) {
			if fv := v.FieldByIndex(f.Index); !absent(fv) {
				m[f.Key] = plain(fv)
			}
		}
		return m
	case reflect.Slice:
		l := make([]any, v.Len())
		for i := range l {
			l[i] = plain(v.Index(i))
		}
		return l
	case reflect.Map:
		m := map[string]any{}
		for _, k := range v.MapKeys() {
			m[k.String()] = plain(v.MapIndex(k))
		}
		return m
	case reflect.String:
		return v.String()
	}
	return v.Interface()
}
