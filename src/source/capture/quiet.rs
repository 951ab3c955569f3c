//! Keeps the ALSA library from writing to standard error, where it would spoil the screen.

use std::ffi::{c_char, c_int};
use std::sync::Once;

/// Silences the library for the whole process, the audio threads included; more than once does no harm.
pub(super) fn silence() {
    static ONCE: Once = Once::new();
    ONCE.call_once(install);
}

extern "C" fn say_nothing(
    _file: *const c_char,
    _line: c_int,
    _function: *const c_char,
    _code: c_int,
    _format: *const c_char,
) {
}

/// The only way to silence every thread is the library's process-wide handler, and that is a C function of variable
/// arguments, which Rust can call but not define.
#[expect(unsafe_code, reason = "the library offers no other way to keep its messages off the terminal")]
fn install() {
    type Fixed = extern "C" fn(*const c_char, c_int, *const c_char, c_int, *const c_char);
    type Variadic = unsafe extern "C" fn(*const c_char, c_int, *const c_char, c_int, *const c_char, ...);
    // SAFETY: on every Linux calling convention the caller removes the arguments and the fixed ones of a variadic
    // call are passed as in a plain one; `say_nothing` looks at none of them. The handler is a static function, and
    // setting it only stores the pointer.
    unsafe {
        let handler = std::mem::transmute::<Fixed, Variadic>(say_nothing);
        alsa_sys::snd_lib_error_set_handler(Some(handler));
    }
}
