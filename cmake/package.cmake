# Manual pages, completions, and the Debian package (scripts/package builds it).
if(NOT CMAKE_CROSSCOMPILING OR CMAKE_CROSSCOMPILING_EMULATOR)
  add_custom_command(
    OUTPUT ${PROJECT_BINARY_DIR}/pages.stamp
    COMMAND ${CMAKE_COMMAND}
            "-DPROGRAM=${CMAKE_CROSSCOMPILING_EMULATOR};$<TARGET_FILE:stillmount_cli>"
            -DFOLDER=${PROJECT_BINARY_DIR}/pages -P ${PROJECT_SOURCE_DIR}/cmake/pages.cmake
    COMMAND ${CMAKE_COMMAND} -E touch ${PROJECT_BINARY_DIR}/pages.stamp
    DEPENDS stillmount_cli ${PROJECT_SOURCE_DIR}/cmake/pages.cmake VERBATIM)
  add_custom_target(pages ALL DEPENDS ${PROJECT_BINARY_DIR}/pages.stamp)
  set(SM_PAGES ${PROJECT_BINARY_DIR}/pages)
elseif(NOT SM_PAGES)
  message(STATUS "no emulator: manual pages and completions are left out unless SM_PAGES names "
                 "the folder 'pages' of another build")
endif()
if(SM_PAGES)
  install(DIRECTORY ${SM_PAGES}/man1 DESTINATION ${CMAKE_INSTALL_MANDIR})
  install(FILES ${SM_PAGES}/bash/stillmount
          DESTINATION ${CMAKE_INSTALL_DATADIR}/bash-completion/completions)
  install(FILES ${SM_PAGES}/zsh/_stillmount DESTINATION ${CMAKE_INSTALL_DATADIR}/zsh/vendor-completions)
  install(FILES ${SM_PAGES}/fish/stillmount.fish
          DESTINATION ${CMAKE_INSTALL_DATADIR}/fish/vendor_completions.d)
endif()
install(FILES README.md CHANGELOG.md DESTINATION ${CMAKE_INSTALL_DOCDIR})
install(FILES LICENSE DESTINATION ${CMAKE_INSTALL_DOCDIR} RENAME copyright)

set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_CONTACT "the stillmount developers <nobody@localhost>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "${PROJECT_DESCRIPTION}")
set(CPACK_PACKAGE_DESCRIPTION
"Tells from the log of an engine run-up whether the place where an attitude sensor is mounted is
quiet enough, with how much to spare at every rpm, what shakes it, and what would cure it.
Program, library, headers, samples.")
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_SECTION science)
set(CPACK_DEBIAN_PACKAGE_RECOMMENDS "gnuplot-nox | gnuplot")
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS_PRIVATE_DIRS ${PROJECT_BINARY_DIR})
set(CPACK_DEBIAN_PACKAGE_GENERATE_SHLIBS ON)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
include(CPack)
