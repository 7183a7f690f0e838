//! What the VST3 tells hosts in a file is what its library tells them.
#![allow(unsafe_code, reason = "the factory is asked by raw calls, since no safe host hands on every field")]

use std::ffi::c_char;
use std::fs;

use serde_json::{Value, json};
use vst3::ComPtr;
use vst3::Steinberg::{
    IPluginFactory, IPluginFactory2, IPluginFactory2Trait as _, IPluginFactoryTrait as _, PClassInfo2,
    PFactoryInfo, kResultOk,
};

use super::bundle;

/// Bits of the factory's flags, as the VST 3 interfaces number them (`PFactoryInfo`).
const CLASSES_DISCARDABLE: i32 = 1;
const COMPONENT_NON_DISCARDABLE: i32 = 8;
const UNICODE: i32 = 16;

/// Reads what a fixed array of characters holds.
fn text(characters: &[c_char]) -> String {
    let bytes = characters.iter().map(|&character| character as u8).take_while(|&byte| byte != 0);
    String::from_utf8(bytes.collect()).expect("names are UTF-8")
}

/// Returns what the library says, in the layout of the file.
fn told_by_the_library() -> Value {
    let arch = std::env::consts::ARCH;
    let (folder, file) = match std::env::consts::OS {
        "macos" => ("MacOS".to_owned(), "rostra"),
        "windows" => (format!("{arch}-win"), "rostra.vst3"),
        _ => (format!("{arch}-linux"), "rostra.so"),
    };
    let path = bundle::vst3().join("Contents").join(folder).join(file);
    // SAFETY: the library is the plug-in that this workspace builds; it stays, and so does its factory.
    let factory = unsafe {
        let library = Box::leak(Box::new(libloading::Library::new(path).expect("the bundle loads")));
        let get = library
            .get::<unsafe extern "system" fn() -> *mut IPluginFactory>(b"GetPluginFactory")
            .expect("it has a factory");
        ComPtr::from_raw(get()).expect("the factory is there")
    };
    let factory = factory.cast::<IPluginFactory2>().expect("the factory tells versions");
    // SAFETY: plain old data, all of which may be zero.
    let mut of_all: PFactoryInfo = unsafe { std::mem::zeroed() };
    // SAFETY: the structure is the caller's, and large enough.
    assert_eq!(unsafe { factory.getFactoryInfo(&raw mut of_all) }, kResultOk);
    // SAFETY: no more than a question.
    let count = unsafe { factory.countClasses() };
    let classes: Vec<Value> = (0..count)
        .map(|at| {
            // SAFETY: plain old data, all of which may be zero.
            let mut class: PClassInfo2 = unsafe { std::mem::zeroed() };
            // SAFETY: the structure is the caller's, and large enough.
            assert_eq!(unsafe { factory.getClassInfo2(at, &raw mut class) }, kResultOk);
            let id = format!("{:032X}", u128::from_be_bytes(class.cid.map(|byte| byte as u8)));
            json!({
                "CID": id,
                "Category": text(&class.category),
                "Name": text(&class.name),
                "Vendor": text(&class.vendor),
                "Version": text(&class.version),
                "SDKVersion": text(&class.sdkVersion),
                "Sub Categories": text(&class.subCategories).split('|').collect::<Vec<_>>(),
                "Class Flags": class.classFlags,
                "Cardinality": class.cardinality,
                "Snapshots": [],
            })
        })
        .collect();
    json!({
        // The format's own name for the module is that of its file.
        "Name": "rostra",
        "Version": env!("CARGO_PKG_VERSION"),
        "Factory Info": {
            "Vendor": text(&of_all.vendor),
            "URL": text(&of_all.url),
            "E-Mail": text(&of_all.email),
            "Flags": {
                "Unicode": of_all.flags & UNICODE != 0,
                "Classes Discardable": of_all.flags & CLASSES_DISCARDABLE != 0,
                "Component Non Discardable": of_all.flags & COMPONENT_NON_DISCARDABLE != 0,
            },
        },
        "Compatibility": [],
        "Classes": classes,
    })
}

#[test]
fn the_file_says_what_the_library_says() {
    let place = bundle::vst3().join("Contents/Resources/moduleinfo.json");
    let file: Value =
        serde_json::from_str(&fs::read_to_string(&place).expect("the file is there")).expect("JSON");
    let library = told_by_the_library();
    assert_eq!(library["Classes"].as_array().map(Vec::len), Some(2), "{library}");
    assert_eq!(file, library);
    // A host takes it: it is read and held against the format by the host of these tests.
    let read =
        vst3_host::discovery::read_module_info(&bundle::vst3()).expect("it fits").expect("it is found");
    assert_eq!(
        read.classes.iter().map(|class| class.name.as_str()).collect::<Vec<_>>(),
        ["Rostra Seat", "Rostra Hall"]
    );
}
