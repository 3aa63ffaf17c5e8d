//! Keeps OpenCV out of `dawnsheet`: only its worker uses it, but the bindings' objects are drawn into both programs.

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    if std::env::var("CARGO_CFG_TARGET_OS").as_deref() == Ok("linux") {
        // or weak symbols that OpenCV defines too count as exported and outlive the removal of unused code
        println!("cargo:rustc-link-arg-bin=dawnsheet=-Wl,--exclude-libs,ALL");
        // cv::Exception's type: named in the exception tables of the unused code, which the linker keeps
        println!("cargo:rustc-link-arg-bin=dawnsheet=-Wl,--defsym=_ZTIN2cv9ExceptionE=0");
    }
}
