//! A checker of the keywords of JSON Schema (draft 2020-12) that our schemas use, and PyPI
//! `jsonschema` where a Python has it.

#![allow(dead_code, reason = "each test binary uses a part of it")]

use serde_json::{Value, json};

use crate::independent;

/// What is wrong with `value`, with the place; empty when nothing is.
struct Checker {
    root: Value,
}

impl Checker {
    fn faults(&self, schema: &Value, value: &Value, at: &str) -> Vec<String> {
        let mut faults = Vec::new();
        let Value::Object(rules) = schema else {
            panic!("{at}: a schema is an object")
        };
        for (keyword, rule) in rules {
            faults.extend(self.fault(keyword, rule, schema, value, at));
        }
        faults
    }

    fn fault(
        &self,
        keyword: &str,
        rule: &Value,
        schema: &Value,
        value: &Value,
        at: &str,
    ) -> Vec<String> {
        let unless = |is_right: bool| {
            if is_right {
                Vec::new()
            } else {
                vec![format!("{at}: {keyword} {rule} is not met by {value}")]
            }
        };
        let number = value.as_f64();
        let object = value.as_object();
        let array = value.as_array();
        match keyword {
            "$schema" | "title" | "description" | "$defs" | "then" | "else" => Vec::new(),
            "$ref" => {
                let pointer = rule.as_str().unwrap().strip_prefix('#').unwrap();
                self.faults(self.root.pointer(pointer).unwrap(), value, at)
            }
            "type" => {
                let names = rule
                    .as_array()
                    .cloned()
                    .unwrap_or_else(|| vec![rule.clone()]);
                unless(
                    names
                        .iter()
                        .any(|name| is_of(value, name.as_str().unwrap())),
                )
            }
            "const" => unless(value == rule),
            "enum" => unless(rule.as_array().unwrap().contains(value)),
            "minimum" => unless(number.is_none_or(|v| v >= rule.as_f64().unwrap())),
            "maximum" => unless(number.is_none_or(|v| v <= rule.as_f64().unwrap())),
            "exclusiveMinimum" => unless(number.is_none_or(|v| v > rule.as_f64().unwrap())),
            "minItems" => unless(array.is_none_or(|v| v.len() as u64 >= rule.as_u64().unwrap())),
            "maxItems" => unless(array.is_none_or(|v| v.len() as u64 <= rule.as_u64().unwrap())),
            "items" => array
                .into_iter()
                .flatten()
                .enumerate()
                .flat_map(|(i, v)| self.faults(rule, v, &format!("{at}/{i}")))
                .collect(),
            "required" => {
                let names = rule.as_array().unwrap();
                unless(
                    object
                        .is_none_or(|o| names.iter().all(|n| o.contains_key(n.as_str().unwrap()))),
                )
            }
            "properties" => object
                .into_iter()
                .flatten()
                .filter_map(|(name, v)| Some((name, rule.get(name)?, v)))
                .flat_map(|(name, rule, v)| self.faults(rule, v, &format!("{at}/{name}")))
                .collect(),
            "propertyNames" => object
                .into_iter()
                .flatten()
                .flat_map(|(name, _)| self.faults(rule, &json!(name), at))
                .collect(),
            "additionalProperties" => object
                .into_iter()
                .flatten()
                .filter(|(name, _)| schema["properties"].get(name.as_str()).is_none())
                .flat_map(|(name, v)| match rule {
                    Value::Bool(false) => vec![format!("{at}: there is no `{name}`")],
                    rule => self.faults(rule, v, &format!("{at}/{name}")),
                })
                .collect(),
            "anyOf" => {
                let tried = rule.as_array().unwrap().iter();
                let tried: Vec<_> = tried.map(|rule| self.faults(rule, value, at)).collect();
                if tried.iter().any(Vec::is_empty) {
                    Vec::new()
                } else {
                    tried.concat()
                }
            }
            "if" => {
                let holds = self.faults(rule, value, at).is_empty();
                self.faults(&schema[if holds { "then" } else { "else" }], value, at)
            }
            other => panic!("{at}: the checker does not know `{other}`"),
        }
    }
}

fn is_of(value: &Value, kind: &str) -> bool {
    match kind {
        "object" => value.is_object(),
        "array" => value.is_array(),
        "string" => value.is_string(),
        "boolean" => value.is_boolean(),
        "null" => value.is_null(),
        "number" => value.is_number(),
        "integer" => value.is_i64() || value.is_u64(),
        other => panic!("`{other}` is no type"),
    }
}

/// What is wrong with a value, by our own checker.
pub(crate) fn faults(schema: &Value, value: &Value) -> Vec<String> {
    let checker = Checker {
        root: schema.clone(),
    };
    checker.faults(&checker.root, value, "")
}

/// PyPI `jsonschema`'s verdict, and its verdict on the schema itself.
pub(crate) fn independent_faults(schema: &Value, value: &Value) -> Option<Vec<String>> {
    let folder = tempfile::tempdir().unwrap();
    let (rules, instance) = (folder.path().join("schema"), folder.path().join("value"));
    std::fs::write(&rules, schema.to_string()).unwrap();
    std::fs::write(&instance, value.to_string()).unwrap();
    let script = "
import json, sys
import jsonschema
schema, report = (json.load(open(path)) for path in sys.argv[1:])
jsonschema.Draft202012Validator.check_schema(schema)
for fault in jsonschema.Draft202012Validator(schema).iter_errors(report):
    print(fault.json_path, fault.message)
";
    let output = independent::python("jsonschema", script, &[&rules, &instance])?;
    let said = String::from_utf8(output.stdout).unwrap();
    Some(said.lines().map(ToOwned::to_owned).collect())
}
