# Program, library, headers, pkg-config file, CMake package, samples.
include(CMakePackageConfigHelpers)

install(TARGETS stillmount EXPORT stillmountTargets
        ARCHIVE DESTINATION ${CMAKE_INSTALL_LIBDIR} LIBRARY DESTINATION ${CMAKE_INSTALL_LIBDIR})
install(TARGETS stillmount_cli RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR})
install(DIRECTORY include/stillmount DESTINATION ${CMAKE_INSTALL_INCLUDEDIR}
        FILES_MATCHING PATTERN "*.h")
install(FILES ${CMAKE_CURRENT_BINARY_DIR}/include/stillmount/version.h
        DESTINATION ${CMAKE_INSTALL_INCLUDEDIR}/stillmount)
install(EXPORT stillmountTargets NAMESPACE stillmount::
        DESTINATION ${CMAKE_INSTALL_LIBDIR}/cmake/stillmount)
# Who links the archive needs its libraries as well; who links the shared library does not, not even
# their headers: pkg-config would ask for what Requires.private names, and a laptop has none of it.
if(BUILD_SHARED_LIBS)
  set(SM_SHARED ON)
  set(SM_PC_REQUIRES "")
  set(SM_PC_LIBS "")
else()
  set(SM_SHARED OFF)
  set(SM_PC_REQUIRES "Requires: fftw3 sndfile jansson libcrypto")
  set(SM_PC_LIBS "-lm -lpthread")
endif()
configure_file(cmake/stillmount.pc.in stillmount.pc @ONLY)
install(FILES ${CMAKE_CURRENT_BINARY_DIR}/stillmount.pc
        DESTINATION ${CMAKE_INSTALL_LIBDIR}/pkgconfig)
configure_package_config_file(cmake/stillmountConfig.cmake.in stillmountConfig.cmake
  INSTALL_DESTINATION ${CMAKE_INSTALL_LIBDIR}/cmake/stillmount)
write_basic_package_version_file(stillmountConfigVersion.cmake COMPATIBILITY SameMinorVersion)
install(FILES ${CMAKE_CURRENT_BINARY_DIR}/stillmountConfig.cmake
              ${CMAKE_CURRENT_BINARY_DIR}/stillmountConfigVersion.cmake
        DESTINATION ${CMAKE_INSTALL_LIBDIR}/cmake/stillmount)
if(EXISTS ${PROJECT_SOURCE_DIR}/samples)
  install(DIRECTORY samples/ DESTINATION ${CMAKE_INSTALL_DATADIR}/stillmount/samples)
endif()
install(DIRECTORY src/report/schema DESTINATION ${CMAKE_INSTALL_DATADIR}/stillmount
        FILES_MATCHING PATTERN "*.schema.json")
